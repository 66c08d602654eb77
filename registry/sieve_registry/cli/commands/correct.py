"""`sieveward correct`: correct an earlier record, or declare it void."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.options import ByOption, WhyLateOption, opened, record_terms
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line


def correct(
    context: typer.Context,
    record: Annotated[
        str, typer.Argument(metavar="RECORD", help="A check (C-0012) or an event's number (#57).")
    ],
    *,
    reason: Annotated[str, typer.Option("--reason", metavar="T", help="Why.")],
    changes: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=VALUE", help="date, count, note, serial, …"),
    ] = None,
    void: Annotated[bool, typer.Option("--void", help="Declare it void.")] = False,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Correct an earlier record; the former content is kept, and both are shown.

    Without --set and --void an earlier --void is withdrawn.
    """
    from sieve_registry.cli.support.records import correction_dict, correction_words
    from sieve_registry.quality import corrections as quality_corrections

    wanted = {}
    for change in changes or ():
        name, equals, value = change.partition("=")
        if not equals:
            raise UsageError(message=f"Write a change as NAME=VALUE, not {change!r}.")
        wanted[name.strip()] = value.strip()
    if void and wanted:
        raise UsageError(message="Give --set or --void, not both.")
    with opened(context) as registry:
        terms = record_terms(None, by, why_late)
        made = quality_corrections.correct(registry, record, wanted, reason, terms, void=void)
    if not emit_json(json_path, correction_dict(made)):
        print_line(f"Event {made.seq}: {correction_words(made)}.")
