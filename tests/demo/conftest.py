"""The demo, run once for all tests of this folder."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from shared_run import made_once
from sieve_inspect.synthetic import Render
from sieve_registry.demo.run import DemoResult, run_demo
from sieve_registry.demo.scans import DrawnScan, draw
from sieve_registry.store.engine import Registry, open_registry

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC)


@pytest.fixture(scope="session")
def finished(shared: Path) -> tuple[DemoResult, list[str]]:
    """The demo's result and the lines it printed, as of noon on 2026-03-05; read only."""

    def make(folder: Path) -> tuple[DemoResult, list[str]]:
        printed: list[str] = []
        result = run_demo(folder / "laboratory", progress=printed.append, now=lambda: NOON)
        return result, printed

    return made_once(shared, "demo", make)


@pytest.fixture(scope="session")
def laboratory(
    finished: tuple[DemoResult, list[str]], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A copy of the demo's folder for this worker to open."""
    copy = tmp_path_factory.mktemp("demo") / "laboratory"
    shutil.copytree(finished[0].folder, copy)
    return copy


@pytest.fixture
def registry(finished: tuple[DemoResult, list[str]], laboratory: Path) -> Iterator[Registry]:
    opened = open_registry(laboratory / finished[0].registry.name, now=lambda: NOON)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def drawn(shared: Path) -> Callable[[DrawnScan], Render]:
    """Draws a scan of the demo by its recipe, once in a run."""
    return lambda scan: made_once(shared, f"drawn {scan.name}", lambda _: draw(scan))
