"""How long things take; not collected by default: `pytest tests/benchmarks/bench_speed.py`.

Whole processes. Each size stands beside what scikit-image takes merely to label its openings; the
figure in brackets beside a median is its ratio to the fastest of its group.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from whole_cloth import SCIKIT_IMAGE, installed

from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import scale_from_text
from sieve_inspect.synthetic import Cloth, Sensor, render, save

PROGRAM = [sys.executable, "-c", "from sieve_registry.cli.main import main; main()"]
SHAPES = {"2.5 megapixels": (1366, 1830), "10 megapixels": (3162, 3162)}
SIZES = [("2.5 megapixels", px) for px in (7, 10, 14, 48)] + [("10 megapixels", 14)]
NOMINAL_UM = 75.0


@pytest.fixture(scope="module", params=SIZES, ids=lambda size: f"{size[1]} px, {size[0]}")
def scan(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, int, str]:
    """A scan of 75 um cloth, the size of its openings in px, and a name for both."""
    megapixels, px = request.param
    path = tmp_path_factory.mktemp("scan") / "scan.tif"
    cloth = Cloth(px, 0.67 * px, sd_px=0.02 * px, rotation_deg=1.2, seed=1)
    save(render(cloth, sensor=Sensor(noise=0.01, seed=1), shape=SHAPES[megapixels]), path)
    return path, px, f"openings of {px} px, {megapixels}"


def run(*typed: str) -> None:
    subprocess.run(typed, check=True, capture_output=True, env=installed())


def test_help(benchmark: BenchmarkFixture) -> None:
    benchmark.pedantic(run, (*PROGRAM, "--help"), rounds=5, warmup_rounds=1)


def test_measuring_as_a_process(benchmark: BenchmarkFixture, scan: tuple[Path, int, str]) -> None:
    path, px, benchmark.group = scan
    scale = ("--nominal", f"{NOMINAL_UM:g}um", "--um-per-px", str(NOMINAL_UM / px))
    typed = (*PROGRAM, "measure", str(path), *scale, "--apertures", str(path.with_suffix(".csv")))
    benchmark.pedantic(run, typed, rounds=5, warmup_rounds=1)


def test_labelling_by_scikit_image(
    benchmark: BenchmarkFixture, scan: tuple[Path, int, str]
) -> None:
    path, _, benchmark.group = scan
    typed = (sys.executable, "-c", SCIKIT_IMAGE, str(path), str(path.with_suffix(".txt")))
    benchmark.pedantic(run, typed, rounds=5, warmup_rounds=1)


def test_measuring(benchmark: BenchmarkFixture, scan: tuple[Path, int, str]) -> None:
    path, px, name = scan
    benchmark.group = f"{name}, without start and imports"
    options = {"nominal_um": NOMINAL_UM, "scale": scale_from_text(str(NOMINAL_UM / px))}
    benchmark.pedantic(measure, ([path],), options, rounds=5, warmup_rounds=1)
