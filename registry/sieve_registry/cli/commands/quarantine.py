"""`sieveward quarantine`: take a sieve out of use until a check passes."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option


def quarantine(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to take out of use.", "ID")],
    *,
    reason: Annotated[str, option("Why.", "T")],
    damage: Annotated[bool, flag("--damage", "It was damaged.")] = False,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Take a sieve out of use until a check passes and it is returned."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.quarantine(registry, sieve_id, reason, terms, damage=damage),
    )
    if recorded is not None:
        state, history = recorded
        output.line(f"Sieve {state.sieve.id} is {state.status}: mark it and keep it apart.")
        output.line("After a passing check: sieveward return ID --reason T")
        print_undo(history)
