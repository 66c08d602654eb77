"""`sieveward due`: which sieves need a check, and when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support.options import AsOfOption, opened, read_day
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
)

if TYPE_CHECKING:
    from sieve_registry.records import SieveState


class FailOnDue(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    OVERDUE = "overdue"


def due(
    context: typer.Context,
    as_of: AsOfOption = None,
    within: Annotated[
        int | None, typer.Option("--within", metavar="DAYS", help="Due within this number of days.")
    ] = None,
    fail_on: Annotated[
        FailOnDue | None, typer.Option("--fail-on", help="Exit 1 when a sieve is overdue.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """List the sieves in service by the due day of their next check, overdue first."""
    from sieve_registry.cli.support.records import due_dict
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        day = read_day(as_of) or registry.today()
        waiting = sieve_queries.due(registry, day, within)
    wanted = waiting if json_path is not None else []
    payload = {"as_of": day.isoformat(), "sieves": [due_dict(state) for state in wanted]}
    late = sum(state.overdue for state in waiting)
    if not emit_json(json_path, payload):
        print_due(waiting, day)
    if fail_on is not None and late:
        raise typer.Exit(1)


def print_due(waiting: Sequence[SieveState], day: date) -> None:
    """The due list for a person."""
    from sieve_registry.cli.support.records import due_words, length_text, print_remarks

    rows = [
        [
            state.sieve.id,
            length_text(state.sieve.nominal_nm),
            str(state.last_check.on_date) if state.last_check else "-",
            state.last_check.outcome if state.last_check else "never checked",
            due_words(state),
        ]
        for state in waiting
    ]
    columns = ("sieve", "nominal", "last check", "outcome", "due")
    print_table(f"Checks due, as of {day}", columns, rows, numeric=("nominal",))
    print_line()
    late = sum(state.overdue for state in waiting)
    print_line(f"{len(waiting)} to check, {late} overdue.")
    for state in waiting:
        print_remarks(state)
