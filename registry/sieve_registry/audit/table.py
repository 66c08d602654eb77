"""The form of an audit's tables, and which records an audit reads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Connection

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact
from sieve_registry.store import reader, writer

T = TypeVar("T")
Payload = TypeVar("Payload", bound=EventPayload)
RECORDED_LATER = "recorded later"

# Each column's name and the cell it takes from a record.
Columns = Sequence[tuple[str, Callable[[T], str]]]


@dataclass(frozen=True)
class AuditTable:
    """One table; every cell is text, empty where there is nothing to state."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Scope:
    """The records an audit reads: of `as_of` or earlier, recorded up to event `until` (or all)."""

    connection: Connection
    as_of: date
    until: int | None

    def recorded_later(self, recorded_at: str) -> str:
        """The day something was recorded, when that was after `as_of`; else nothing."""
        if recorded_at <= end_of(self.as_of):
            return ""
        return datetime.fromisoformat(recorded_at).astimezone().date().isoformat()

    def time_columns(self) -> Columns[Any]:
        """The last columns of a table: when a record was made, and whether that was later."""
        later = self.recorded_later
        return (
            ("recorded at", lambda r: r.recorded_at),
            (RECORDED_LATER, lambda r: later(r.recorded_at)),
        )

    def facts(self, *wanted: type[Payload]) -> list[Fact[Payload]]:
        """Events of the wanted types, in the order of recording."""
        return reader.facts(self.connection, wanted, None, self.until)


def table(name: str, title: str, columns: Columns[T], records: Iterable[T]) -> AuditTable:
    """A table of one row for each record."""
    cells = [cell for _, cell in columns]
    rows = tuple(tuple(cell(record) for cell in cells) for record in records)
    return AuditTable(name, title, tuple(column for column, _ in columns), rows)


@cache
def end_of(day: date) -> str:
    """The last second of a day in this computer's time zone, as events write their time (UTC)."""
    if day == date.max:
        return "9999-12-31T23:59:59Z"
    midnight = datetime.combine(day + timedelta(days=1), time()).astimezone()
    return writer.utc_text(midnight - timedelta(seconds=1))
