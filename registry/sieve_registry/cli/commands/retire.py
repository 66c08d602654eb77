"""`sieveward retire`: end a sieve's service, as a person decided."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option


def retire(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve to retire.", "ID")],
    *,
    reason: Annotated[str, option("Why.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """End a sieve's service from a day on, with the reason."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    day = options.read_day(date)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.retire(
            registry, sieve_id, reason, on_date=day, by=by, late_reason=why_late
        ),
    )
    if recorded is not None:
        state, history = recorded
        end = history.retirement
        assert end is not None
        output.line(f"Sieve {state.sieve.id} is retired from {end.on_date}: {end.reason}.")
        output.line("Take it out of use and mark it; its record stays.")
        print_undo(history)
