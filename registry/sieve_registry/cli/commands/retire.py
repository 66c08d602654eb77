"""`sieveward retire`: end a sieve's service, as a person decided."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, read_day
from sieve_registry.cli.support.output import JsonOption, print_line


def retire(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve to retire.")],
    *,
    reason: Annotated[str, typer.Option("--reason", metavar="T", help="Why.")],
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """End a sieve's service from a day on, with the reason."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    day = read_day(date)
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
        print_line(f"Sieve {state.sieve.id} is retired from {end.on_date}: {end.reason}.")
        print_line("Take it out of use and mark it; its record stays.")
        print_undo(history)
