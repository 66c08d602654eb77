"""A laboratory in an empty folder, and its program."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from clock import Clock
from foresee_lab import FIRST, Lab
from program import Program
from registry_made import copy_empty
from sieve_registry.store.engine import open_registry


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "registry.sqlite"


@pytest.fixture
def lab(path: Path, tmp_path: Path, empty_registry: Path) -> Iterator[Lab]:
    clock = Clock(FIRST)
    copy_empty(empty_registry, path)
    registry = open_registry(path, create=True, now=clock)
    yield Lab(registry, clock, tmp_path / "field.tif")
    registry.close()


@pytest.fixture
def run(path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    """Runs `sieveward --registry … ARGUMENTS`."""
    return Program(monkeypatch, capsys, path)
