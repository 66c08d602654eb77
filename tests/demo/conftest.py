"""The demo, run once for all tests of this folder on a worker."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from sieve_registry.demo.run import DemoResult, run_demo
from sieve_registry.store.engine import Registry, open_registry

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC)


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[DemoResult, list[str]]:
    """The demo's result and the lines it told, as of noon on 2026-03-05."""
    told: list[str] = []
    folder = tmp_path_factory.mktemp("demo") / "laboratory"
    result = run_demo(folder, progress=told.append, now=lambda: NOON)
    return result, told


@pytest.fixture
def registry(finished: tuple[DemoResult, list[str]]) -> Iterator[Registry]:
    opened = open_registry(finished[0].registry, now=lambda: NOON)
    yield opened
    opened.close()
