"""Writing: an event and the rows derived from it, in one transaction."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select

from sieve_registry.ledger.chain import next_event
from sieve_registry.records import Event, EvidenceFile
from sieve_registry.store import schema
from sieve_registry.store.evidence import EvidenceStore, Staged
from sieve_registry.store.projection import CHECK_RECORDED, rows_of
from sieve_registry.store.reader import last_event

__all__ = ["append", "next_check_id", "placing", "utc_text"]


def utc_text(moment: datetime) -> str:
    """A moment as ISO text in UTC to the second, ending in Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def append(
    connection: Connection,
    *,
    kind: str,
    subject: str,
    on_date: date,
    recorded_at: datetime,
    person: str,
    software: str,
    payload: Mapping[str, Any],
) -> Event:
    """Append one event to the ledger and insert what follows from it."""
    event = next_event(
        last_event(connection),
        kind=kind,
        subject=subject,
        on_date=on_date.isoformat(),
        recorded_at=utc_text(recorded_at),
        person=person,
        software=software,
        payload=payload,
    )
    connection.execute(insert(schema.event).values(**event.__dict__))
    for table, row in rows_of(event):
        if table == "evidence" and _kept_as(connection, row["sha256"]) is not None:
            continue  # the same content is kept once
        connection.execute(insert(schema.metadata.tables[table]).values(**row))
    return event


def next_check_id(connection: Connection) -> str:
    """The number the next check gets: C-0001, C-0002, …"""
    checks = schema.event.c.kind == CHECK_RECORDED
    query = select(func.count()).select_from(schema.event).where(checks)
    count = connection.execute(query).scalar_one()
    return f"C-{count + 1:04d}"


@contextmanager
def placing(
    connection: Connection, store: EvidenceStore, staged: Sequence[tuple[Staged, str, str]]
) -> Iterator[list[EvidenceFile]]:
    """Put staged files (content, role, name) in their places; take them away again on failure.

    Must run inside a writing transaction: no other writer can come to lean on the same files.
    """
    placed: list[tuple[str, str]] = []
    files: list[EvidenceFile] = []
    try:
        for item, role, name in staged:
            twin = next((f.extension for f in files if f.sha256 == item.sha256), item.extension)
            kept = _kept_as(connection, item.sha256)
            extension = twin if kept is None else kept
            if store.place(item, extension):
                placed.append((item.sha256, extension))
            files.append(EvidenceFile(item.sha256, extension, item.size, role, name))
        yield files
    except BaseException:
        for sha256, extension in placed:
            store.remove(sha256, extension)
        raise


def _kept_as(connection: Connection, sha256: str) -> str | None:
    """The extension under which content is kept already, or None."""
    table = schema.evidence
    return connection.execute(
        select(table.c.extension).where(table.c.sha256 == sha256)
    ).scalar_one_or_none()
