"""`sieveward quarantine`: take a sieve out of use until a check passes."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, record_terms
from sieve_registry.cli.support.output import JsonOption, print_line


def quarantine(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve to take out of use.")],
    *,
    reason: Annotated[str, typer.Option("--reason", metavar="T", help="Why.")],
    damage: Annotated[bool, typer.Option("--damage", help="It was damaged.")] = False,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Take a sieve out of use until a check passes and it is returned."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    terms = record_terms(date, by, why_late)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.quarantine(registry, sieve_id, reason, terms, damage=damage),
    )
    if recorded is not None:
        state, history = recorded
        print_line(f"Sieve {state.sieve.id} is {state.status}: mark it and keep it apart.")
        print_line("After a passing check: sieveward return ID --reason T")
        print_undo(history)
