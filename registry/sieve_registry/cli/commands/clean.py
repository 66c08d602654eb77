"""`sieveward clean`: record how a sieve was cleaned."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, record_terms
from sieve_registry.cli.support.output import JsonOption, print_line


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
    """Record that a sieve was cleaned or maintained."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    terms = record_terms(date, by, why_late)
    recorded = record_of_sieve(
        context, json_path, lambda registry: commands.clean(registry, sieve_id, method, note, terms)
    )
    if recorded is not None:
        state, history = recorded
        print_line(f"Recorded for sieve {state.sieve.id}: cleaned ({method}).")
        print_undo(history)
