"""Writing: an event and the rows derived from it, in one transaction."""

from __future__ import annotations

import functools
import platform
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from sieve_registry.errors import DateRefusedError
from sieve_registry.ledger.chain import next_event
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import Event
from sieve_registry.store import schema
from sieve_registry.store.evidence import EvidenceKeeper, Staged
from sieve_registry.store.projection import rows_of
from sieve_registry.store.reader import evidence_extension, last_event

_LIBRARIES = ("numpy", "opencv-python-headless", "scipy")
# A clock so far ahead of the last event may be wrong: later true times would then be refused.
CLOCK_AHEAD = timedelta(days=300)
CLOCK_TOLERANCE = timedelta(minutes=10)  # clocks of several benches differ by so much at most


def utc_text(moment: datetime) -> str:
    """A moment as ISO text in UTC to the second, ending in Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def append(
    connection: Connection,
    payload: EventPayload,
    *,
    subject: str,
    on_date: date,
    recorded_at: datetime,
    person: str,
    software: str,
    late_reason: str = "",
) -> Event:
    """Append an event to the ledger and insert the rows derived from it.

    Raises `DateRefusedError` when this computer's clock is behind the last event, or far ahead of
    it, unless `late_reason` says why; the reason is then kept with the event.
    """
    last = last_event(connection)
    if last is not None and not late_reason:
        _refuse_wrong_clock(last, recorded_at)
    if late_reason:
        payload = replace(payload, late_reason=late_reason)
    event = next_event(
        last,
        kind=payload.KIND,
        subject=subject,
        on_date=on_date.isoformat(),
        recorded_at=utc_text(recorded_at),
        person=person,
        software=software,
        payload=payload.to_payload(),
    )
    connection.execute(insert(schema.event).values(**event.__dict__))
    for name, rows in rows_of(event).items():
        for row in rows:
            if name == "evidence" and evidence_extension(connection, row[0]) is not None:
                continue  # the same content is kept once
            connection.execute(insert(schema.metadata.tables[name]).values(row))
    connection.info[schema.HEAD_INFO] = (event.seq, event.hash)
    return event


def clock_ahead(last: Event | None, now: datetime) -> bool:
    """Whether a clock is so far ahead of the last event that a record needs a reason."""
    return last is not None and now > datetime.fromisoformat(last.recorded_at) + CLOCK_AHEAD


def _refuse_wrong_clock(last: Event, now: datetime) -> None:
    before = datetime.fromisoformat(last.recorded_at)
    if clock_ahead(last, now):
        raise DateRefusedError(
            reason=f"This computer's clock shows {utc_text(now)}, {(now - before).days} days after "
            f"the last event",
            advice="set the clock if it is wrong; if it is right, give the reason for late entry "
            "(--why-late), such as a pause",
        )
    if now < before - CLOCK_TOLERANCE:
        raise DateRefusedError(
            reason=f"This computer's clock shows {utc_text(now)}, but the last event was recorded "
            f"at {last.recorded_at}",
            advice="set the clock, or give the reason for late entry (--why-late)",
        )


def insert_events(connection: Connection, events: Sequence[Event]) -> None:
    """Insert events of another registry unchanged, with the rows derived from them."""
    by_table: dict[str, list[tuple[Any, ...]]] = {}
    for event in events:
        for name, rows in rows_of(event).items():
            by_table.setdefault(name, []).extend(rows)
    by_table["evidence"] = _not_kept_yet(connection, by_table.get("evidence", []))
    _insert_many(connection, schema.event, [tuple(event.__dict__.values()) for event in events])
    for derived in schema.DERIVED:
        _insert_many(connection, derived, by_table.get(derived.name, []))
    if events:
        connection.info[schema.HEAD_INFO] = (events[-1].seq, events[-1].hash)


def _insert_many(connection: Connection, table: Table, rows: list[tuple[Any, ...]]) -> None:
    """Insert rows (values in the order of the columns) by the driver itself: there may be many."""
    if rows:
        mark = "?" if connection.dialect.name == "sqlite" else "%s"
        names = ", ".join(column.name for column in table.columns)
        values = f"({names}) VALUES ({', '.join(mark for _ in table.columns)})"
        connection.exec_driver_sql(f"INSERT INTO {table.name} {values}", rows)


def _not_kept_yet(connection: Connection, rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    first = {row[0]: row for row in reversed(rows)}
    kept = {sha256 for sha256 in first if evidence_extension(connection, sha256) is not None}
    return [row for row in first.values() if row[0] not in kept][::-1]


def next_check_id(connection: Connection) -> str:
    """The number the next check gets: C-0001, C-0002, …"""
    checks = schema.event.c.kind == CheckRecorded.KIND
    query = select(func.count()).select_from(schema.event).where(checks)
    count = connection.execute(query).scalar_one()
    return f"C-{count + 1:04d}"


@contextmanager
def placing(
    connection: Connection, store: EvidenceKeeper, staged: Sequence[tuple[Staged, str, str]]
) -> Iterator[list[EvidenceFile]]:
    """Put staged files (content, role, name) in their places; take them away again on failure.

    Must run inside a writing transaction: no other writer can then refer to the same files.
    """
    placed: list[tuple[str, str]] = []
    files: list[EvidenceFile] = []
    try:
        for item, role, name in staged:
            twin = next((f.extension for f in files if f.sha256 == item.sha256), item.extension)
            kept = evidence_extension(connection, item.sha256)
            extension = twin if kept is None else kept
            if store.place(item, extension, connection):
                placed.append((item.sha256, extension))
            files.append(EvidenceFile(item.sha256, extension, item.size, role, name))
        yield files
    except BaseException:
        for sha256, extension in placed:
            store.remove(sha256, extension)
        raise


def software() -> dict[str, str]:
    """What a figure may depend on: versions of the language and of the libraries that compute.

    `code` is the SHA-256 of the measuring source and `computer` the computer's name.
    """
    from sieve_inspect.workers.software import software as measuring

    libraries = {name: package_version(name) for name in _LIBRARIES}
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "code": measuring()["code"],
        "computer": platform.node() or "unnamed",
        **libraries,
    }


@functools.cache
def package_version(package: str) -> str:
    """The installed version of a package, or "unknown"."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"
