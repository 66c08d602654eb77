"""`sieveward clean`: record how a sieve was cleaned."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option


def clean(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve that was cleaned.", "ID")],
    *,
    method: Annotated[str, option("brush, air, ultrasonic bath, …", "T")],
    note: Annotated[str, option("A remark.", "T")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record that a sieve was cleaned or maintained."""
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    terms = options.terms(date, by, why_late)
    recorded = record_of_sieve(
        context, json_path, lambda registry: commands.clean(registry, sieve_id, method, note, terms)
    )
    if recorded is not None:
        state, history = recorded
        output.line(f"Recorded for sieve {state.sieve.id}: cleaned ({method}).")
        print_undo(history)
