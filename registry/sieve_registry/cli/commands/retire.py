"""`sieveward retire`: end a sieve's service, as a person decided."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, opened, read_day
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line

__all__ = ["retire"]


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
    from sieve_registry.cli.support.records import state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        state = sieve_commands.retire(
            registry, sieve_id, reason, on_date=read_day(date), by=by, late_reason=why_late
        )
        history = sieve_queries.get_history(registry, sieve_id)
    if emit_json(json_path, state_dict(state, history)):
        return
    end = history.retirement
    assert end is not None
    print_line(f"Sieve {state.sieve.id} is retired from {end.on_date}: {end.reason}.")
    print_line("Take it out of use and mark it; its record stays.")
