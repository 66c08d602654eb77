"""Events found by what their payloads hold."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any, TypeVar, cast

from sqlalchemy import ColumnElement, Connection, or_, select

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact
from sieve_registry.store import rows, schema
from sieve_registry.store.reader import legible, rows_by_many

_Payload = TypeVar("_Payload", bound=EventPayload)
_AT_ONCE = 500  # numbers in one condition


def facts_with(
    connection: Connection,
    fields: Sequence[str],
    subject: str | None = None,
    until: int | None = None,
) -> list[Fact[EventPayload]]:
    """Events of any kind whose payload may hold one of some fields, in the order of recording.

    A text within a payload may look like the field: look at the payload's own. `until` leaves out
    events after that number. Raises `BrokenRecordError` for a payload that cannot be read.
    """
    marks, event = [f'"{field}":' for field in fields], schema.event.c
    if subject is not None or connection.dialect.name != "sqlite":
        conditions = [or_(*(event.payload.contains(mark) for mark in marks))]
        conditions += [] if subject is None else [event.subject == subject]
        return _read(connection, conditions, until)
    # A text is searched a third as fast by SQLite as by Python.
    query = select(event.seq, event.payload).order_by(event.seq)
    if until is not None:
        query = query.where(event.seq <= until)
    every: Iterator[Any] = rows_by_many(connection, query)
    holding = [seq for seq, payload in every if any(mark in payload for mark in marks)]
    parts = (holding[at : at + _AT_ONCE] for at in range(0, len(holding), _AT_ONCE))
    return [fact for part in parts for fact in _read(connection, [event.seq.in_(part)], None)]


def facts_naming(
    connection: Connection,
    wanted: Sequence[type[_Payload]],
    names: Sequence[str],
    days: tuple[date, date],
    until: int | None = None,
) -> list[Fact[_Payload]]:
    """Events of the wanted types between two days, both included, that may hold one of the names.

    Names are found in any capitals. Otherwise as `facts_with`.
    """
    event = schema.event.c
    texts = (json.dumps(name, ensure_ascii=False) for name in names)
    conditions = [
        event.kind.in_([event_type.KIND for event_type in wanted]),
        event.on_date.between(days[0].isoformat(), days[1].isoformat()),
        or_(*(event.payload.icontains(text, autoescape=True) for text in texts)),
    ]
    return cast("list[Fact[_Payload]]", _read(connection, conditions, until))


@legible()
def _read(
    connection: Connection, conditions: Sequence[ColumnElement[bool]], until: int | None
) -> list[Fact[Any]]:
    query = select(schema.event).where(*conditions)
    if until is not None:
        query = query.where(schema.event.c.seq <= until)
    return [rows.fact(row) for row in connection.execute(query.order_by(schema.event.c.seq))]
