"""`sieveward use`: log how often a sieve was used."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.use_options import (
    AbrasivenessOption,
    MaterialOption,
    Method,
    NoteOption,
)
from sieve_registry.records import UseDetails


def use(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve that was used.", "ID")],
    *,
    count: Annotated[int, option("Number of uses.", "N")],
    date: options.Date = None,
    by: options.By = None,
    note: NoteOption = "",
    method: Annotated[Method | None, option("Sieving method.")] = None,
    material: MaterialOption = "",
    abrasiveness: AbrasivenessOption = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Log uses of a sieve."""
    from sieve_registry.cli.support.records import print_remarks
    from sieve_registry.cli.support.sieve_records import (
        print_next_check,
        print_undo,
        record_of_sieve,
    )
    from sieve_registry.sieves import commands

    day = options.read_day(date)
    details = UseDetails(
        method="" if method is None else method.value,
        material=material,
        abrasiveness="" if abrasiveness is None else abrasiveness.value,
    )
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.log_use(
            registry,
            sieve_id,
            count,
            on_date=day,
            by=by,
            note=note,
            details=details,
            late_reason=why_late,
        ),
    )
    if recorded is None:
        return
    state, history = recorded
    output.text(
        f"Logged {count} for sieve {state.sieve.id}: {state.uses_total} uses in total, "
        f"{state.uses_since_check} since the last check."
    )
    print_next_check(state)
    print_remarks(state)
    print_undo(history)
