"""`sieveward return`: put a sieve back into service after a passing check."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option


def return_(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to put back.", "ID")],
    *,
    reason: Annotated[str, option("What was done, and why it may return.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Put a quarantined sieve back into service after a passing check."""
    from sieve_registry.cli.support.sieve_records import (
        print_next_check,
        print_undo,
        record_of_sieve,
    )
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.return_to_service(registry, sieve_id, reason, terms),
    )
    if recorded is not None:
        state, history = recorded
        output.line(f"Sieve {state.sieve.id} is {state.status} again.")
        print_next_check(state)
        print_undo(history)
