"""How long things take; not collected by default: `pytest tests/benchmarks/bench_speed.py`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import scale_from_text
from sieve_inspect.synthetic import Cloth, Sensor, render, save

PROGRAM = [sys.executable, "-c", "from sieve_registry.cli.main import main; main()"]


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A scan of 2.5 megapixels: 75 um cloth at 5.29 um per px."""
    path = tmp_path_factory.mktemp("scan") / "large.png"
    cloth = Cloth(75 / 5.29, 50 / 5.29, sd_px=0.3, rotation_deg=1.2, seed=1)
    save(render(cloth, sensor=Sensor(noise=0.01, seed=1), shape=(1366, 1830)), path)
    return path


def run(*arguments: str) -> None:
    subprocess.run([*PROGRAM, *arguments], check=True, capture_output=True)


def test_help(benchmark: BenchmarkFixture) -> None:
    benchmark.pedantic(run, ("--help",), rounds=5, warmup_rounds=1)


def test_measure_as_a_process(benchmark: BenchmarkFixture, large: Path) -> None:
    typed = ("measure", str(large), "--nominal", "75um", "--um-per-px", "5.29")
    benchmark.pedantic(run, typed, rounds=5, warmup_rounds=1)


def test_measure(benchmark: BenchmarkFixture, large: Path) -> None:
    scale = scale_from_text("5.29")
    options = {"nominal_um": 75.0, "scale": scale, "standard": "iso3310-1:2016"}
    benchmark.pedantic(measure, ([large],), options, rounds=5, warmup_rounds=1)
