"""The commands that decide and foresee, put into the program in one place."""

from __future__ import annotations

import typer

from sieve_registry.cli.commands.effect import effect
from sieve_registry.cli.commands.interval import interval
from sieve_registry.cli.commands.lookback import lookback
from sieve_registry.cli.commands.plan import plan
from sieve_registry.cli.commands.reference import reference_app
from sieve_registry.cli.commands.repeatability import repeatability
from sieve_registry.cli.commands.rule import decide, rule
from sieve_registry.cli.commands.wear import recloth, wear

__all__ = ["register"]

_PANEL = "Decide and look ahead"
_COMMANDS = (wear, recloth, interval, lookback, plan, rule, decide, effect, repeatability)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    for command in _COMMANDS:
        app.command(rich_help_panel=_PANEL)(command)
    app.add_typer(reference_app, name="reference", rich_help_panel=_PANEL)
