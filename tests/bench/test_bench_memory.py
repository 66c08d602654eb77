"""What the bench holds: pixels counted when they are queued, folders swept after a kill."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from bench_lab import SCAN, Lab
from sieve_inspect.errors import UsageError
from sieve_inspect.scale import scale_from_dpi
from sieve_registry.bench import jobs, leftovers
from sieve_registry.bench.jobs import Order
from sieve_registry.scales.check_scale import CheckScale


def order(lab: Lab, scans: int) -> Order:
    scale = CheckScale(scale_from_dpi(4800))
    return Order("S-0075", (SCAN,) * scans, scale, "auto", lab.jobs.new_folder())


def test_pixels_are_counted_when_they_are_queued(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixteen checks of twelve scans of 30 megapixels would have held 5.8 gigapixels."""
    monkeypatch.setattr(jobs, "size_of", lambda _path: 30_000_000)
    monkeypatch.setattr(lab.jobs._pool, "submit", lambda *_arguments: None)
    lab.jobs.start(order(lab, 12))
    with pytest.raises(UsageError, match="confirm or discard"):
        lab.jobs.start(order(lab, 12))
    assert sum(job.megapixels for job in lab.jobs.waiting()) == pytest.approx(360)
    lab.jobs.start(order(lab, 1))


def test_a_large_scan_is_measured_alone(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "size_of", lambda _path: 1_900_000_000)
    monkeypatch.setattr(lab.jobs._pool, "submit", lambda *_arguments: None)
    lab.jobs.start(order(lab, 4))
    with pytest.raises(UsageError):
        lab.jobs.start(order(lab, 1))


@pytest.mark.skipif(sys.platform == "win32", reason="needs locks of POSIX")
def test_what_a_killed_bench_left_is_removed_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    code = (
        "import os, tempfile, sys; tempfile.tempdir = sys.argv[1]; "
        "from sieve_registry.bench.leftovers import scan_folder; "
        "made = scan_folder(); folder = made.__enter__(); "
        "(folder / 'scan.png').write_bytes(bytes(1000)); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert len(list(tmp_path.iterdir())) == 1
    (tmp_path / "sieveward-bench-link").symlink_to(tmp_path)  # nobody's folder is followed
    with leftovers.scan_folder() as ours:
        assert leftovers.sweep() == (1, 1000)
        assert leftovers.sweep() == (0, 0)
        assert ours.is_dir()
