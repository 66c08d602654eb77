"""The laboratory of `report_lab`, filled once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import report_lab
from sieve_registry.store.engine import Registry


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the laboratory; nothing may be changed in it."""
    folder = tmp_path_factory.mktemp("lab")
    report_lab.fill(folder)
    return folder


@pytest.fixture
def registry(filled: Path) -> Iterator[Registry]:
    opened = report_lab.lab(filled, report_lab.LAST_DAY)
    yield opened
    opened.close()
