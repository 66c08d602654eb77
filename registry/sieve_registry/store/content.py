"""Events found by what their payloads hold."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import chain
from typing import Any, NamedTuple, TypeVar, cast

from sqlalchemy import ColumnElement, Connection, or_, select

from sieve_registry.ledger.canonical import read_payload
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact
from sieve_registry.store import rows, schema
from sieve_registry.store.reader import legible

_Payload = TypeVar("_Payload", bound=EventPayload)


def facts_with(
    connection: Connection, field: str, subject: str | None = None, until: int | None = None
) -> list[Fact[EventPayload]]:
    """Events of any kind whose payload may hold a field, in the order of recording.

    A text within a payload may look like the field: look at the payload's own. `until` leaves out
    events after that number. Raises `BrokenRecordError` for a payload that cannot be read.
    """
    conditions = [schema.event.c.payload.contains(f'"{field}":')]
    if subject is not None:
        conditions.append(schema.event.c.subject == subject)
    return _read(connection, conditions, until)


class PlainEvent(NamedTuple):
    """An event with its payload as JSON, for lists of very many: typed, it takes ten times longer.

    `on_date` is the ISO text of its day.
    """

    seq: int
    kind: str
    subject: str
    on_date: str
    payload: Mapping[str, Any]


def events_with(
    connection: Connection,
    wanted: Sequence[type[EventPayload]],
    fields: Sequence[str],
    until: int | None = None,
) -> Iterator[PlainEvent]:
    """Events of the wanted types whose payload may hold one of some fields, as `facts_with`.

    Each is read as it is taken.
    """
    event, marks = schema.event.c, [f'"{field}":' for field in fields]
    query = select(event.seq, event.kind, event.subject, event.on_date, event.payload)
    kinds = {event_type.KIND for event_type in wanted}
    if connection.dialect.name != "sqlite":  # which searches slower than Python, and would sort
        holding = or_(*(event.payload.contains(mark) for mark in marks))
        query = query.where(event.kind.in_(kinds), holding)
    if until is not None:
        query = query.where(event.seq <= until)
    streamed = query.order_by(event.seq).execution_options(stream_results=True)
    # On a server the rows wait in a cursor: it is closed where not all of them are taken.
    with legible(), connection.execute(streamed) as result:
        rows: Iterator[Any] = chain.from_iterable(result.partitions(200))  # payloads are long
        for seq, kind, subject, on_date, payload in rows:
            if kind in kinds and any(map(payload.__contains__, marks)):
                yield PlainEvent(seq, kind, subject, on_date, read_payload(payload))


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
