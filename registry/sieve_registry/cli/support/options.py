"""Options several commands share, and how they are read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.output import Context

if TYPE_CHECKING:
    from decimal import Decimal

    from sieve_registry.sieves.recording import RecordTerms
    from sieve_registry.store.engine import Registry

DateOption = Annotated[
    str | None, typer.Option("--date", metavar="YYYY-MM-DD", help="Day it happened (today).")
]
AsOfOption = Annotated[
    str | None,
    typer.Option("--as-of", metavar="YYYY-MM-DD", help="State at the end of this day (today)."),
]
EncodingOption = Annotated[
    str,
    typer.Option("--encoding", metavar="srgb|linear|auto", help="Encoding of the stored values."),
]
UmPerPxOption = Annotated[
    str | None, typer.Option("--um-per-px", metavar="X[,Y]", help="Micrometres per pixel, by hand.")
]
TemperatureOption = Annotated[
    float | None, typer.Option("--temperature", metavar="C", help="Room temperature in °C.")
]
ByOption = Annotated[
    str | None, typer.Option("--by", metavar="NAME", help="Person (your login name).")
]
WhyLateOption = Annotated[
    str,
    typer.Option("--why-late", metavar="T", help="Reason for late entry."),
]


def read_day(text: str | None) -> date | None:
    """The day an option names, or None. Raises `DateRefusedError`."""
    from sieve_registry.values import read_date

    return None if text is None else read_date(text)


def read_figure(what: str, text: str | None) -> Decimal | None:
    """A mass or a time as typed, exact; a comma is a decimal comma. Raises `UsageError`."""
    from decimal import Decimal, InvalidOperation

    if text is None:
        return None
    try:
        figure = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        raise UsageError(message=f"The {what} {text!r} is not a number.") from None
    if not figure.is_finite() or not 0 <= figure < 10**9:
        raise UsageError(message=f"A {what} of {text} is not plausible.")
    return figure


def read_numbers(text: str | None, option: str, count: int) -> list[float] | None:
    """The `count` numbers of an option, separated by commas. Raises `UsageError`."""
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        raise UsageError(message=f"{option} needs {count} numbers with commas, not '{text}'.")
    return numbers


def read_region(text: str | None, option: str) -> tuple[int, int, int, int] | None:
    """A part of a picture as left, top, right, bottom in whole px. Raises `UsageError`."""
    numbers = read_numbers(text, option, 4)
    if numbers is None:
        return None
    left, top, right, bottom = (int(number) for number in numbers)
    return left, top, right, bottom


def record_terms(date: str | None, by: str | None, why_late: str = "") -> RecordTerms:
    """The terms of a record from the options --date, --by and --why-late."""
    from sieve_registry.sieves.recording import RecordTerms

    return RecordTerms(read_day(date), by, why_late)


@contextmanager
def opened(context: typer.Context, *, create: bool = False) -> Iterator[Registry]:
    """The registry the options name, closed at the end."""
    from sieve_registry.store.engine import open_registry

    options = context.obj
    assert isinstance(options, Context)
    registry = open_registry(options.registry, create=create)
    try:
        yield registry
    finally:
        registry.close()
