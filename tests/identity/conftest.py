"""The program, for the tests of `compare`; each picture is measured once in a run."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from program import Program
from shared_run import run_folder, share_pictures


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    """Runs `sieveward ARGUMENTS`."""
    return Program(monkeypatch, capsys)


@pytest.fixture(scope="module")
def measured_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Measuring a picture again gives the kept result."""
    with pytest.MonkeyPatch.context() as patch:
        share_pictures(patch, run_folder(tmp_path_factory))
        yield
