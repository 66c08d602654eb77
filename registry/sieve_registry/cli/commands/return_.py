"""`sieveward return`: put a sieve back into service after a passing check."""

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

__all__ = ["return_"]


def return_(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve to put back.")],
    *,
    reason: Annotated[
        str, typer.Option("--reason", metavar="T", help="What was done, and why it may return.")
    ],
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Put a quarantined sieve back into service; it needs a passing check since."""
    from sieve_registry.cli.support.records import due_words, state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        state = sieve_commands.return_to_service(
            registry, sieve_id, reason, record_terms(date, by, why_late)
        )
        history = sieve_queries.get_history(registry, sieve_id)
    if not emit_json(json_path, state_dict(state, history)):
        print_line(f"Sieve {state.sieve.id} is {state.status} again.")
        print_line(f"Its next check is due: {due_words(state)} ({state.due_because}).")
