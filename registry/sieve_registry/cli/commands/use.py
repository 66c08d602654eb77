"""`sieveward use`: log how often a sieve was used."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.commands.stack import Abrasiveness, Method
from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, opened, read_day
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_text
from sieve_registry.records import UseDetails

__all__ = ["use"]


def use(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve that was used.")],
    *,
    count: Annotated[int, typer.Option("--count", metavar="N", help="How often.")],
    date: DateOption = None,
    by: ByOption = None,
    note: Annotated[str, typer.Option("--note", metavar="T", help="A remark.")] = "",
    method: Annotated[Method | None, typer.Option("--method", help="How it was moved.")] = None,
    material: Annotated[str, typer.Option("--material", metavar="T", help="What was sieved.")] = "",
    abrasiveness: Annotated[
        Abrasiveness | None, typer.Option("--abrasiveness", help="How it wears wires.")
    ] = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Log uses of a sieve."""
    from sieve_registry.cli.support.records import due_words, state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    details = UseDetails(
        method="" if method is None else method.value,
        material=material,
        abrasiveness="" if abrasiveness is None else abrasiveness.value,
    )
    with opened(context) as registry:
        state = sieve_commands.log_use(
            registry,
            sieve_id,
            count,
            on_date=read_day(date),
            by=by,
            note=note,
            details=details,
            late_reason=why_late,
        )
        history = sieve_queries.get_history(registry, sieve_id)
    if emit_json(json_path, state_dict(state, history)):
        return
    print_line(
        f"Logged {count} for sieve {state.sieve.id}: {state.uses_total} uses in all, "
        f"{state.uses_since_check} since the last check."
    )
    print_line(f"Its next check is due: {due_words(state)} ({state.due_because}).")
    if state.last_check is not None:
        for remark in state.remarks:
            print_text(f"Note: {state.sieve.id} is {remark.message}.")
