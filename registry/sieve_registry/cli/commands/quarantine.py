"""`sieveward quarantine`: take a sieve out of use until a check passes."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import (
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    record_terms,
)
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line

__all__ = ["quarantine"]


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
    from sieve_registry.cli.support.records import state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    terms = record_terms(date, by, why_late)
    with opened(context) as registry:
        state = sieve_commands.quarantine(registry, sieve_id, reason, terms, damage=damage)
        history = sieve_queries.get_history(registry, sieve_id)
    if emit_json(json_path, state_dict(state, history)):
        return
    print_line(f"Sieve {state.sieve.id} is {state.status}: mark it and keep it apart.")
    print_line("After a passing check: sieveward return ID --reason T")
