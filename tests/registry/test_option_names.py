"""Errors of the rooms name parameters; at the command line they name options."""

from __future__ import annotations

import sys
from typing import Any

import pytest
from typer.main import get_command

from command_words import COMMANDS
from sieve_inspect.errors import UsageError
from sieve_registry.cli import main as program
from sieve_registry.cli.support.option_names import OPTIONS, with_options


def options_of(command: Any) -> set[str]:
    """Every option of a command and of the commands below it."""
    found = {option for parameter in command.params for option in parameter.opts}
    for below in getattr(command, "commands", {}).values():
        found |= options_of(below)
    return found


def test_every_option_named_exists() -> None:
    assert {option.split()[0] for option in OPTIONS.values()} <= options_of(
        get_command(program.app)
    )


def test_every_command_that_records_takes_the_reason_for_late_entry() -> None:
    """A clock far ahead is asked about: each has to be able to answer."""
    options = {path: options_of(command) for path, command in COMMANDS.items()}
    asked = {path for path, known in options.items() if "--by" in known}
    assert len(asked) > 20
    assert {path for path in asked if "--why-late" not in options[path]} == set()


@pytest.mark.parametrize(
    ("message", "shown"),
    [
        ("Give `scale` or `um_per_px`.", "Give --scale FILE or --um-per-px."),
        ("Give nominal_um, such as 75.", "Give --nominal, such as 75."),
        ("The file scans/um_per_px.png is empty.", "The file scans/um_per_px.png is empty."),
        ("See `sieveward scale --help`.", "See `sieveward scale --help`."),
        ("The scale of `x` is unknown.", "The scale of `x` is unknown."),
    ],
)
def test_parameter_names_become_options(message: str, shown: str) -> None:
    assert with_options(message) == shown


def test_the_error_boundary_shows_options(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refusing() -> None:
        raise UsageError(message="Give `um_per_px`.")

    monkeypatch.setattr(program, "app", refusing)
    monkeypatch.setattr(sys, "argv", ["sieveward"])
    with pytest.raises(SystemExit) as ended:
        program.main()
    assert (ended.value.code, capsys.readouterr().err) == (2, "sieveward: Give --um-per-px.\n")
