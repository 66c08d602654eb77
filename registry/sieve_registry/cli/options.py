"""Options several commands share, and how they are read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.common import Context

if TYPE_CHECKING:
    from sieve_registry.service import Registry

__all__ = ["AsOfOption", "ByOption", "DateOption", "opened", "read_day"]

DateOption = Annotated[
    str | None, typer.Option("--date", metavar="YYYY-MM-DD", help="The day it happened (today).")
]
AsOfOption = Annotated[
    str | None,
    typer.Option("--as-of", metavar="YYYY-MM-DD", help="Answer for the end of that day (today)."),
]
ByOption = Annotated[
    str | None, typer.Option("--by", metavar="NAME", help="Who did it (your login name).")
]


def read_day(text: str | None) -> date | None:
    """The day an option names, or None. Raises `DateRefusedError`."""
    from sieve_registry.rules.dates import read_date

    return None if text is None else read_date(text)


@contextmanager
def opened(context: typer.Context, *, create: bool = False) -> Iterator[Registry]:
    """The registry the options name, closed again at the end."""
    from sieve_registry.service import open_registry

    options = context.obj
    assert isinstance(options, Context)
    registry = open_registry(options.registry, create=create)
    try:
        yield registry
    finally:
        registry.close()
