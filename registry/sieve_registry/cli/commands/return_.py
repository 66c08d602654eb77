"""`sieveward return`: put a sieve back into service after a passing check."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, record_terms
from sieve_registry.cli.support.output import JsonOption, print_line


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
    """Put a quarantined sieve back into service after a passing check."""
    from sieve_registry.cli.support.sieve_records import (
        print_next_check,
        print_undo,
        record_of_sieve,
    )
    from sieve_registry.sieves import commands

    terms = record_terms(date, by, why_late)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.return_to_service(registry, sieve_id, reason, terms),
    )
    if recorded is not None:
        state, history = recorded
        print_line(f"Sieve {state.sieve.id} is {state.status} again.")
        print_next_check(state)
        print_undo(history)
