"""Runs `sieveward` in the process of the tests."""

from __future__ import annotations

import functools
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pytest
import typer.main

_commands_of = functools.cache(typer.main.get_command)  # made anew, they take longer than most runs


class Answer(NamedTuple):
    """How the program ended, and what it printed."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class Program:
    """The program with a registry and the first words of its commands, if any."""

    monkeypatch: pytest.MonkeyPatch
    capture: pytest.CaptureFixture[str]
    registry: str | Path | None = None
    command: tuple[str, ...] = ()

    def __call__(self, *arguments: object, registry: str | Path | None = None) -> Answer:
        """Runs it with these arguments; another registry may be named."""
        from sieve_registry.cli.main import main

        place = self.registry if registry is None else registry
        options = () if place is None else ("--registry", str(place))
        words = ["sieveward", *options, *self.command, *map(str, arguments)]
        self.monkeypatch.setattr(sys, "argv", words)
        self.monkeypatch.setattr(typer.main, "get_command", _commands_of)
        self.capture.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        printed = self.capture.readouterr()
        code = ended.value.code
        return Answer(code if isinstance(code, int) else 0, printed.out, printed.err)


@dataclass(frozen=True)
class HousedProgram(Program):
    """The program in an empty folder of its own, beside a copy of a laboratory."""

    home: Path = Path()
    lab: Path = Path()
