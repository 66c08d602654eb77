"""`sieveward due`: which sieves need a check, and when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
from sieve_registry.cli.support.records import due_dict, due_words, length_text, remarks

if TYPE_CHECKING:
    from sieve_registry.records import SieveState


class FailOnDue(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    OVERDUE = "overdue"


def due(
    context: typer.Context,
    as_of: options.AsOf = None,
    within: Annotated[int | None, option("Due within this number of days.", "DAYS")] = None,
    fail_on: Annotated[FailOnDue | None, option("Exit 1 when a sieve is overdue.")] = None,
    json_path: options.Json = None,
) -> None:
    """List the sieves in service by the due day of their next check, overdue first."""
    from sieve_registry.sieves import queries as sieve_queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        waiting = sieve_queries.due(registry, day, within)
    wanted = waiting if json_path is not None else []
    payload = {"as_of": day.isoformat(), "sieves": [due_dict(state) for state in wanted]}
    late = sum(state.overdue for state in waiting)
    if not output.emit(json_path, payload):
        print_due(waiting, day)
    if fail_on is not None and late:
        raise typer.Exit(1)


def print_due(waiting: Sequence[SieveState], day: date) -> None:
    """The due list for a person."""
    columns = {"sieve": "", "nominal": ">", "last check": "", "outcome": "", "due": ""}
    rows = [
        (s.sieve.id, length_text(s.sieve.nominal_nm), s.last_check and s.last_check.on_date,
         s.last_check.outcome if s.last_check else "never checked", due_words(s))
        for s in waiting
    ]  # fmt: skip
    output.table(f"Checks due, as of {day}", columns, rows)
    output.line()
    late = sum(state.overdue for state in waiting)
    output.line(f"{len(waiting)} to check, {late} overdue.")
    for state in waiting:
        for remark in remarks(state):
            output.text(remark)
