"""The command reference: every command with its options, written from the program itself.

Run it as `python -m sieve_registry.cli.reference > registry/sieve_registry/cli/COMMANDS.md`.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from typing import Any

from typer.core import TyperArgument
from typer.main import get_command

from sieve_registry.cli.main import app

_INTRODUCTION = """\
# Commands of sieveward

Written by `python -m sieve_registry.cli.reference`; `sieveward COMMAND --help` shows the same.
Parameters in capital letters are typed by their place, options by their name.
"""


def as_markdown() -> str:
    """The reference as Markdown: a section for every command, a table of its parameters."""
    sections = (_section(name, command) for name, command in _commands("sieveward", _root()))
    return "\n".join([_INTRODUCTION, *sections])


def _root() -> Any:
    # Typer's own classes of commands are private: they are read by their attributes.
    return get_command(app)


def _commands(name: str, command: Any) -> Iterator[tuple[str, Any]]:
    """The command and those below it, in the order of the program's help."""
    yield name, command
    for below, part in getattr(command, "commands", {}).items():
        yield from _commands(f"{name} {below}", part)


def _section(name: str, command: Any) -> str:
    rows = [_row(parameter) for parameter in command.params if not parameter.hidden]
    table = ["| Parameter | Meaning |", "|---|---|", *rows, ""] if rows else []
    return "\n".join([f"## {name}", "", _first_sentence(command.help or ""), "", *table])


def _row(parameter: Any) -> str:
    meaning = parameter.help or ""
    if isinstance(parameter, TyperArgument):
        name = parameter.metavar or parameter.human_readable_name
    else:
        value = _value(parameter)
        name = ", ".join((*parameter.opts, *parameter.secondary_opts)) + (value and f" {value}")
        meaning += " Required." if parameter.required else ""
    return f"| `{_cell(name)}` | {_cell(meaning)} |"


def _value(option: Any) -> str:
    """What follows an option: its metavar, its choices, or its type; nothing for a flag."""
    if option.is_flag:
        return ""
    choices = getattr(option.type, "choices", None)
    plain = {"str": "TEXT", "int": "N", "float": "X"}.get(option.type.name, "VALUE")
    return str(option.metavar or (choices and "|".join(choices)) or plain)


def _first_sentence(text: str) -> str:
    paragraph = " ".join(text.split("\n\n", maxsplit=1)[0].split())
    return re.split(r"(?<=[.?!]) (?=[A-Z])", paragraph)[0]


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


if __name__ == "__main__":
    sys.stdout.write(as_markdown())
