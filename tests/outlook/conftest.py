"""A laboratory in an empty folder, and its program."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from foresee_lab import FIRST, Answer, Clock, Lab

from sieve_registry.store.engine import open_registry


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "registry.sqlite"


@pytest.fixture
def lab(path: Path, tmp_path: Path) -> Iterator[Lab]:
    clock = Clock(FIRST)
    registry = open_registry(path, create=True, now=clock)
    yield Lab(registry, clock, tmp_path / "field.tif")
    registry.close()


@pytest.fixture
def run(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Answer]:
    """Runs `sieveward --registry … ARGUMENTS` in this process."""
    from sieve_registry.cli.main import main

    def running(*arguments: str) -> Answer:
        monkeypatch.setattr(sys, "argv", ["sieveward", "--registry", str(path), *arguments])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return Answer(ended.value.code or 0, said.out, said.err)  # type: ignore[arg-type]

    return running
