"""The laboratory of `report_lab`, filled once in a run."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import report_lab
from shared_run import made_once
from sieve_registry.store.engine import Registry


@pytest.fixture(scope="session")
def filled(shared: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the laboratory, a copy for this worker; nothing may be changed in it."""
    made_once(shared, "report lab", report_lab.fill)
    copy = tmp_path_factory.mktemp("report") / "lab"
    shutil.copytree(shared / "report lab", copy)
    return copy


@pytest.fixture
def registry(filled: Path) -> Iterator[Registry]:
    opened = report_lab.lab(filled, report_lab.LAST_DAY)
    yield opened
    opened.close()
