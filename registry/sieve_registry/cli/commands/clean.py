"""`sieveward clean`: record how a sieve was cleaned."""

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

__all__ = ["clean"]


def clean(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve that was cleaned.")],
    *,
    method: Annotated[
        str, typer.Option("--method", metavar="T", help="brush, air, ultrasonic bath, …")
    ],
    note: Annotated[str, typer.Option("--note", metavar="T", help="A remark.")] = "",
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Record that a sieve was cleaned or otherwise looked after."""
    from sieve_registry.cli.support.records import state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        state = sieve_commands.clean(
            registry, sieve_id, method, note, record_terms(date, by, why_late)
        )
        history = sieve_queries.get_history(registry, sieve_id)
    if not emit_json(json_path, state_dict(state, history)):
        print_line(f"Recorded for sieve {state.sieve.id}: cleaned ({method}).")
