"""A registry in an empty folder, or on a server, and the program that asks it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

import scale_lab
from clock import Clock
from postgres_server import Server
from program import Program
from registry_made import SCALE, Measuring, copy_empty
from shared_run import share_results
from sieve_inspect.scale.artefact import calibrate, line_bias, residual_picture
from sieve_registry.checks import commands as check_commands
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry


@pytest.fixture
def clock() -> Clock:
    return Clock("2026-03-02")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lab" / "registry.sqlite"


POSTGRES = os.environ.get("SIEVEWARD_TEST_POSTGRES", "")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every test that uses a registry runs on a file, and on a server where one is named.

    The server's turn is among the long tests, but for modules that name their `DATABASES`.
    """
    if "database" not in metafunc.fixturenames:
        return
    on_file = getattr(metafunc.function, "file_only", False)
    again = pytest.param("postgres", marks=pytest.mark.long)
    kinds = getattr(metafunc.module, "DATABASES", ("sqlite", again))
    there = [kind for kind in kinds if kind == "sqlite" or (POSTGRES and not on_file)]
    metafunc.parametrize("database", there)


@pytest.fixture(scope="session")
def server() -> Server:
    if not POSTGRES:
        pytest.skip("no PostgreSQL: name one in SIEVEWARD_TEST_POSTGRES (tests/postgres.sh)")
    return Server(POSTGRES, os.environ.get("PYTEST_XDIST_WORKER", "main"))


@pytest.fixture
def make_target(
    database: str, request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[Callable[[str], str]]:
    """Makes places for registries of the kind under test, for `--registry`."""
    made: list[str] = []

    def making(name: str) -> str:
        if database == "sqlite":
            return str(tmp_path / name / "registry.sqlite")
        address = str(request.getfixturevalue("server").database())
        made.append(address)
        if database == "postgres":  # evidence in a folder; else in the database
            address += f"?evidence={tmp_path / name / 'registry.evidence'}"
        return address

    yield making
    for address in made:
        request.getfixturevalue("server").drop(address)


@pytest.fixture
def target(make_target: Callable[[str], str]) -> str:
    return make_target("lab")


@pytest.fixture
def make_registry(
    make_target: Callable[[str], str], clock: Clock
) -> Iterator[Callable[[str], Registry]]:
    """Makes further registries of the same kind, empty."""
    made: list[Registry] = []

    def making(name: str) -> Registry:
        made.append(open_registry(make_target(name), create=True, now=clock))
        return made[-1]

    yield making
    for one in made:
        one.close()


@pytest.fixture
def registry(target: str, clock: Clock, empty_registry: Path) -> Iterator[Registry]:
    if Path(target).suffix == ".sqlite":
        copy_empty(empty_registry, Path(target))
    opened = open_registry(target, create=True, now=clock)
    yield opened
    opened.close()


@pytest.fixture
def measuring() -> Measuring:
    return Measuring()


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    image = tmp_path / "field-1.tif"
    image.write_bytes(b"a scan of some cloth")
    return image


@pytest.fixture
def add(registry: Registry) -> Callable[..., Any]:
    """Adds a 75 um sieve."""

    def adding(sieve_id: str = "S-1", **options: Any) -> Any:
        return sieve_commands.add_sieve(
            registry, NewSieve(sieve_id, 75.0, **options), by="Ada Moss"
        )

    return adding


@pytest.fixture
def check(registry: Registry, measuring: Measuring, scan: Path) -> Callable[..., Any]:
    """Checks a sieve with a measurement made to order."""

    def checking(sieve_id: str = "S-1", on: str | None = None, outcome: str = "pass") -> Any:
        measuring.outcome = outcome
        day = None if on is None else date.fromisoformat(on)
        return check_commands.check(
            registry,
            sieve_id,
            [scan],
            scale=SCALE,
            terms=RecordTerms(on_date=day, by="Ada Moss"),
            visual="ok",
            accept_scan="a drawn scan",
            measure=measuring,
        )

    return checking


@pytest.fixture
def run(
    target: str,
    measuring: Measuring,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Program:
    """Runs `sieveward --registry … ARGUMENTS`, its measuring replaced."""
    monkeypatch.setattr(check_commands, "measure_scans", measuring)
    return Program(monkeypatch, capsys, target)


@pytest.fixture(scope="session")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture of a certified grid."""
    return scale_lab.drawn_grid(tmp_path_factory.mktemp("scales") / "grid.png")


@pytest.fixture(scope="session")
def calibrating() -> dict[str, Callable[..., Any]]:
    """Calibrations and their drawings by name; each is made once in this process."""
    return {
        "calibrate.calibrate_pictures": share_results(calibrate.calibrate_pictures),
        "line_bias.calibrate_line": share_results(line_bias.calibrate_line),
        "residual_picture.residuals_png": share_results(residual_picture.residuals_png),
        "residual_picture.line_png": share_results(residual_picture.line_png),
    }


@pytest.fixture(autouse=True)
def calibrated_once(
    monkeypatch: pytest.MonkeyPatch, calibrating: dict[str, Callable[..., Any]]
) -> None:
    """Records of scales are tested here; how pictures are calibrated is tested elsewhere."""
    for name, shared in calibrating.items():
        monkeypatch.setattr(f"sieve_inspect.scale.artefact.{name}", shared)


@pytest.fixture
def lab(run: Program, picture: Path) -> scale_lab.ScaleLab:
    """A laboratory with a sieve and a recorded scale."""
    return scale_lab.equip(run, picture)
