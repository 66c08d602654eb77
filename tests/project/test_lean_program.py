"""The program reads only the options that the typed words need, and answers as if it read all."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from sieve_registry.cli.main import app, program_for


@pytest.mark.parametrize(
    "words", [["--help"], ["limits", "--help"], ["sieve", "add", "--help"], ["limitz"], ["sieve"]]
)
def test_answer_is_that_of_the_whole_program(words: list[str]) -> None:
    whole = CliRunner().invoke(app, words)
    lean = CliRunner().invoke(program_for(words), words)
    assert (lean.output, lean.exit_code) == (whole.output, whole.exit_code)


def test_only_the_typed_command_is_read() -> None:
    lean = program_for(["--registry", "PATH", "due"])
    assert [command.name for command in lean.registered_commands] == ["due"]
    assert not lean.registered_groups
    assert program_for(["--install-completion"]) is app
