"""Events found by what their payloads hold."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from typing import Any, TypeVar, cast

from sqlalchemy import ColumnElement, Connection, or_, select

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
