"""The commands and options of the program, and what in a typed command is none of them."""

from __future__ import annotations

import re
from collections.abc import Iterator

import typer
from typer.core import TyperCommand, TyperGroup

from sieve_registry.cli.main import app


def subcommands(
    group: TyperGroup, path: tuple[str, ...] = ()
) -> Iterator[tuple[str, TyperCommand]]:
    for name, command in group.commands.items():
        if isinstance(command, TyperGroup):
            yield from subcommands(command, (*path, name))
        elif isinstance(command, TyperCommand):
            yield " ".join((*path, name)), command


PROGRAM = typer.main.get_command(app)
assert isinstance(PROGRAM, TyperGroup)
GROUP: TyperGroup = PROGRAM
COMMANDS = dict(subcommands(PROGRAM))


def unknown_words(words: list[str]) -> list[str]:
    """Words of a sieveward command that name no subcommand or option of it."""
    command: TyperGroup | TyperCommand = GROUP
    known = {"--help"}
    unknown = []
    values = 0
    for word in words:
        options = {
            name: given for given in command.params for name in given.opts + given.secondary_opts
        }
        name, _, value = word.partition("=")
        if values:
            values -= 1
        elif re.match(r"--?[a-z]", word):
            if name not in options and name not in known:
                unknown.append(word)
            elif name in options and not value:
                option = options[name]
                values = 0 if getattr(option, "is_flag", False) else option.nargs
        elif isinstance(command, TyperGroup):
            inner = command.commands.get(word)
            if not isinstance(inner, TyperGroup | TyperCommand):
                return [*unknown, word]
            command = inner
    return unknown
