"""The command reference agrees with the program."""

from __future__ import annotations

from sieve_registry.cli.reference import as_markdown
from source_tree import ROOT

COMMANDS = ROOT / "registry" / "sieve_registry" / "cli" / "COMMANDS.md"


def test_the_reference_is_what_the_program_writes() -> None:
    written = COMMANDS.read_text(encoding="utf-8")
    assert written == as_markdown(), "run python -m sieve_registry.cli.reference again"


def test_the_reference_names_a_nested_command_with_its_choices() -> None:
    section = as_markdown().split("## sieveward stack run\n")[1].split("## ")[0]
    assert "Log a run: one use of every sieve of the stack" in section
    assert "| `--method hammer\\|vibratory\\|sonic\\|air-jet\\|wet\\|hand` |" in section
    assert "| `--count N` | Number of runs. |" in section
