"""`sieveward correct`: correct an earlier record, or declare it void."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.records import correction_dict, correction_words


def correct(
    context: typer.Context,
    record: Annotated[str, argument("A check (C-0012) or an event's number (#57).", "RECORD")],
    *,
    reason: Annotated[str, option("Why.", "T")],
    changes: Annotated[
        list[str] | None, option("date, count, note, serial, …", "NAME=VALUE", name="--set")
    ] = None,
    void: Annotated[bool, flag("--void", "Declare it void.")] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Correct an earlier record; the former content is kept, and both are shown.

    Without --set and --void an earlier --void is withdrawn.
    """
    from sieve_registry.quality import corrections as quality_corrections

    wanted = {}
    for change in changes or ():
        name, equals, value = change.partition("=")
        if not equals:
            raise UsageError(message=f"Write a change as NAME=VALUE, not {change!r}.")
        wanted[name.strip()] = value.strip()
    if void and wanted:
        raise UsageError(message="Give --set or --void, not both.")
    with options.opened(context) as registry:
        terms = options.terms(None, by, why_late)
        made = quality_corrections.correct(registry, record, wanted, reason, terms, void=void)
    if not output.emit(json_path, correction_dict(made)):
        output.line(f"Event {made.seq}: {correction_words(made)}.")
