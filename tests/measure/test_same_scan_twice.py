"""One scan given twice would look like two fields: refused, whatever it is called."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from program import Program
from shared_run import share_pictures
from sieve_inspect.errors import EmptyFileError, SameImageError, UnreadableImageError
from sieve_inspect.files import refuse_twins
from sieve_inspect.image import load_scan
from sieve_inspect.synthetic.truth import Truth

TYPED = ("--nominal", "150um", "--um-per-px", "10")


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    """The command is tested here; how scans are measured is tested elsewhere."""
    share_pictures(monkeypatch, shared)


@pytest.fixture
def folder(
    cloths: dict[str, tuple[Path, Truth]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, cloth in (("scan.png", "clean"), ("copy.png", "clean"), ("other.png", "dirty")):
        (tmp_path / name).write_bytes(cloths[cloth][0].read_bytes())
    return tmp_path


@pytest.mark.parametrize("more", ["scan.png", "./scan.png", "copy.png"])
def test_measure_refuses_the_same_scan_twice_and_names_both(
    program: Program, folder: Path, more: str
) -> None:
    ended = program("measure", "scan.png", "other.png", more, *TYPED)
    assert ended.code == 28
    shown = more.removeprefix("./")
    assert ended.err.startswith(f"sieveward: scan.png and {shown} are the same picture")
    assert ended.err.count("\n") == 1


def test_check_refuses_the_same_scan_twice_and_records_nothing(
    program: Program, folder: Path
) -> None:
    lab = ("--registry", "lab.sqlite")
    program(*lab, "sieve", "add", "S-1", "--nominal", "150um")
    typed = (*lab, "check", "S-1", "scan.png", "copy.png", "--um-per-px", "10")
    ended = program(*typed)
    assert ended.code == 28
    assert "scan.png and copy.png" in ended.err
    assert program(*lab, "report", "C-0001").code == 35
    again = (*lab, "check", "S-1", "scan.png", "other.png", "--um-per-px", "10")
    assert program(*again).code == 0
    # Nobody can be asked without a terminal: a reason is needed, and it is recorded.
    refused = program(*again)
    assert (refused.code, refused.err.count("\n")) == (28, 1)
    assert "scan.png is the same file that check C-0001 of sieve S-1 used" in refused.err
    assert "with --accept-scan REASON" in refused.err
    assert program(*lab, "report", "C-0002").code == 35
    agreed = program(*again, "--accept-scan", "judged by another person")
    assert agreed.code == 0
    assert "judged by another person" in " ".join(agreed.out.split())


def test_only_the_bytes_decide(tmp_path: Path) -> None:
    one, longer, other = (tmp_path / name for name in ("a.png", "b.png", "c.png"))
    one.write_bytes(b"1" * 9)
    longer.write_bytes(b"1" * 10)
    other.write_bytes(b"1" * 8 + b"2")
    refuse_twins([one, longer, other])
    other.write_bytes(b"1" * 9)
    with pytest.raises(SameImageError, match=r"a\.png and .*c\.png"):
        refuse_twins([one, longer, other])


def test_what_cannot_be_read_is_left_to_others(tmp_path: Path) -> None:
    (tmp_path / "empty").write_bytes(b"")
    refuse_twins([tmp_path / "empty", tmp_path / "empty", tmp_path / "none", tmp_path / "none"])
    for name, error in (("empty", EmptyFileError), ("none", UnreadableImageError)):
        with pytest.raises(error):
            load_scan(tmp_path / name)


def test_files_of_different_sizes_are_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(b"1")
    (tmp_path / "b").write_bytes(b"22")
    read: list[object] = []
    monkeypatch.setattr(hashlib, "file_digest", lambda file, _: read.append(file))
    refuse_twins([tmp_path / "a", tmp_path / "b"])
    assert read == []
