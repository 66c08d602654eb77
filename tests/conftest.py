"""One browser for all pages, and NumPy on one thread: its own get in the way on small matrices."""

from __future__ import annotations

import atexit
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):  # read when NumPy is imported
    os.environ.setdefault(_name, "1")

import shutil
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from shared_run import run_folder
from sieve_registry.store import engine, writer
from sieve_registry.store.engine import open_registry

_STATE = tempfile.TemporaryDirectory(prefix="sieveward-tests-")
atexit.register(_STATE.cleanup)
os.environ["XDG_STATE_HOME"] = _STATE.name  # journals of heads: databases of one name are made anew
os.environ["SIEVEWARD_SETTINGS"] = f"{_STATE.name}/settings.json"

PRAGMAS = engine.PRAGMAS
writer.CLOCK_AHEAD = timedelta(days=100_000)  # registries of the tests are of fixed days

BROWSER = shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session", autouse=True)
def nothing_waits_for_the_disk() -> Iterator[None]:
    """No test cuts the power: what a process wrote is there for the next, on the disk or not yet.

    The waiting takes longer than most tests; `test_a_new_registry_is_complete_with_its_guards`
    holds that the program itself does wait.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "PRAGMAS", ("foreign_keys=ON", "synchronous=OFF"))
        patch.setattr(os, "fsync", lambda _: None)
        yield


@pytest.fixture
def as_on_a_desk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Connections to registries as the program makes them."""
    monkeypatch.setattr(engine, "PRAGMAS", PRAGMAS)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One for all tests of a process: Playwright does not start twice."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright is installed")
    if shutil.which(BROWSER) is None:
        pytest.skip(f"no browser: there is no chromium on the path and no {BROWSER}")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all workers of this run see; see `shared_run`."""
    return run_folder(tmp_path_factory)


@pytest.fixture(scope="session")
def empty_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a registry in which nothing is recorded, to be copied."""
    path = tmp_path_factory.mktemp("empty") / "registry.sqlite"
    open_registry(path, create=True).close()
    return path
