"""Proof that a registry still says what was recorded.

The ledger is read in stretches of consecutive events. Each stretch is hashed along the chain, its
derived rows are made anew from the events, and compared with the rows that stand in the tables for
just these events; so time grows with the number of events, and memory does not.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select

from sieve_registry import kinds
from sieve_registry.ledger import signing
from sieve_registry.ledger.chain import ChainWalk
from sieve_registry.records import Event, Finding
from sieve_registry.store import schema
from sieve_registry.store.evidence import EvidenceKeeper
from sieve_registry.store.projection import rows_of
from sieve_registry.store.sqlitefile import check_file
from sieve_registry.store.writer import CLOCK_TOLERANCE

__all__ = ["Proof", "verify_records"]

_STRETCH = 2000
_DAMAGE = (KeyError, TypeError, ValueError, AttributeError)
_Key = tuple[Any, ...]


@dataclass
class Proof:
    """What was gone through, and what was found; `head` is the last hash read."""

    events: int = 0
    head: str | None = None
    findings: list[Finding] = field(default_factory=list)


@dataclass(frozen=True)
class _Derived:
    """A derived table: its columns, which of them are its key, and how to get a stretch of it."""

    name: str
    columns: tuple[str, ...]
    key: tuple[int, ...]
    sql: str
    rest: str

    def row(self, values: dict[str, Any]) -> _Key:
        return tuple(values[name] for name in self.columns)

    def key_of(self, row: _Key) -> _Key:
        return tuple(row[place] for place in self.key)


def verify_records(
    connection: Connection,
    evidence: EvidenceKeeper,
    known_heads: Iterable[str] = (),
    path: Path | None = None,
) -> Proof:
    """Go through everything: the file (when `path` names one), chain, rows, keys and evidence."""
    proof = Proof()
    sqlite = connection.dialect.name == "sqlite"
    walk, rows = ChainWalk(known_heads), list[Finding]()
    tables = [_derived(table, sqlite) for table in schema.DERIVED]
    seen: set[str] = set()
    last: Event | None = None
    for stretch in _stretches(connection, sqlite):
        for event in stretch:
            walk.step(event)
            rows += _time_goes_on(last, event)
            last = event
        after = stretch[0].seq - 1
        rows += _compare(connection, tables, stretch, after, seen)
        proof.events += len(stretch)
    rows += _beyond(connection, tables, last)
    proof.head = None if last is None else last.hash
    proof.findings += walk.findings() + rows
    if sqlite:
        proof.findings += _foreign_keys(connection)
        proof.findings += [] if path is None else check_file(connection, path)
    proof.findings += _files(connection, evidence)
    return proof


def _derived(table: Table, sqlite: bool) -> _Derived:
    mark = "?" if sqlite else "%s"
    names = tuple(column.name for column in table.columns)
    told = ", ".join(f't."{name}"' for name in names)
    key = tuple(names.index(column.name) for column in table.primary_key)
    if "seq" in names:
        source, seq = f"{table.name} t", "t.seq"
    else:
        source, seq = f"{table.name} t JOIN sieve_check c ON c.id = t.check_id", "c.seq"
    order = ", ".join(f"t.{table.columns[names[place]].name}" for place in key)
    where = f"{seq} > {mark} AND {seq} <= {mark}"
    rest = f"SELECT {told} FROM {table.name} t WHERE " + (
        f"t.seq > {mark} OR t.seq < 1"
        if "seq" in names
        else f"{mark} >= 0 AND t.check_id NOT IN (SELECT id FROM sieve_check)"
    )
    return _Derived(
        table.name,
        names,
        key,
        f"SELECT {told} FROM {source} WHERE {where} ORDER BY {seq}, {order}",
        rest,
    )


def _stretches(connection: Connection, sqlite: bool) -> Iterator[list[Event]]:
    mark = "?" if sqlite else "%s"
    names = ", ".join(column.name for column in schema.event.columns)
    sql = f"SELECT {names} FROM event WHERE seq > {mark} ORDER BY seq LIMIT {_STRETCH}"
    after = -(2**31)
    while rows := connection.exec_driver_sql(sql, (after,)).fetchall():
        stretch = [Event(*row) for row in rows]
        after = stretch[-1].seq
        yield stretch


def _time_goes_on(last: Event | None, event: Event) -> list[Finding]:
    """A clock set back is no crime, but someone must have said why."""
    if last is None or event.recorded_at >= last.recorded_at or '"why_late"' in event.payload:
        return []
    try:
        gone_back = datetime.fromisoformat(last.recorded_at) - datetime.fromisoformat(
            event.recorded_at
        )
    except _DAMAGE:
        gone_back = timedelta.max
    if gone_back <= CLOCK_TOLERANCE:
        return []
    message = f"was recorded at {event.recorded_at}, before the event before it"
    return [Finding("clock", message, f"event {event.seq}")]


def _compare(
    connection: Connection,
    tables: list[_Derived],
    stretch: list[Event],
    after: int,
    seen: set[str],
) -> list[Finding]:
    """Findings about the rows of a stretch of events, and about payloads that cannot be read."""
    expected: dict[str, list[dict[str, Any]]] = {table.name: [] for table in tables}
    findings = []
    for event in stretch:
        try:
            payload = json.loads(event.payload)
            for name, row in rows_of(event, payload):
                if name == "evidence":
                    if row["sha256"] in seen:
                        continue
                    seen.add(row["sha256"])
                expected[name].append(row)
            if event.kind == kinds.HEAD_SIGNED:
                findings += _signature(event, payload)
        except _DAMAGE:
            message = f"its payload cannot be read as '{event.kind}'"
            findings.append(Finding("records", message, f"event {event.seq}"))
    for table in tables:
        wanted = [table.row(row) for row in expected[table.name]]
        limits = (after, stretch[-1].seq)
        found = [tuple(row) for row in connection.exec_driver_sql(table.sql, limits).fetchall()]
        if wanted != found:
            findings += _differences(table, wanted, found)
    return findings


def _signature(event: Event, payload: dict[str, Any]) -> list[Finding]:
    message = signing.fault_of(payload, event.seq, event.previous)
    return [Finding("signature", message, f"event {event.seq}")] if message else []


def _differences(table: _Derived, wanted: list[_Key], found: list[_Key]) -> list[Finding]:
    """Findings about rows that are missing, strange, or differ from their events."""
    findings = []
    by_key = {table.key_of(row): row for row in found}
    expected: dict[_Key, _Key] = {}
    for row in wanted:
        expected.setdefault(table.key_of(row), row)
    for key in sorted(expected.keys() | by_key.keys(), key=str):
        subject = f"{table.name} {', '.join(str(part) for part in key)}"
        if key not in by_key:
            findings.append(Finding("records", "is in the ledger, but its row is gone", subject))
        elif key not in expected:
            findings.append(Finding("records", "stands in no event of the ledger", subject))
        elif by_key[key] != expected[key]:
            pairs = zip(table.columns, by_key[key], expected[key], strict=True)
            names = ", ".join(name for name, is_now, was in pairs if is_now != was)
            message = f"{names} differ from {_origin(table, key, expected)}"
            findings.append(Finding("records", message, subject))
    return findings


def _origin(table: _Derived, key: _Key, expected: dict[_Key, _Key]) -> str:
    if "seq" not in table.columns:
        return "the event it came from"
    return f"event {expected[key][table.columns.index('seq')]}"


def _beyond(connection: Connection, tables: list[_Derived], last: Event | None) -> list[Finding]:
    """Rows that belong to no stretch: their event is not there, or their check is not."""
    findings = []
    end = 0 if last is None else last.seq
    for table in tables:
        for row in connection.exec_driver_sql(table.rest, (end,)).fetchall():
            key = ", ".join(str(part) for part in table.key_of(tuple(row)))
            message = "stands in no event of the ledger"
            findings.append(Finding("records", message, f"{table.name} {key}"))
    return findings


def _foreign_keys(connection: Connection) -> list[Finding]:
    rows = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    return [
        Finding("records", f"a row points to a {row[2]} that is not there", f"{row[0]} {row[1]}")
        for row in rows
    ]


def _files(connection: Connection, evidence: EvidenceKeeper) -> list[Finding]:
    findings = []
    kept = schema.evidence
    query = select(kept.c.sha256, kept.c.extension, kept.c.seq).order_by(kept.c.seq)
    for sha256, extension, seq in connection.execute(query).fetchall():
        name = f"evidence {evidence.name_of(str(sha256), str(extension))}"
        try:
            if evidence.digest(str(sha256), str(extension), connection) != sha256:
                message = f"the file was altered (recorded by event {seq})"
                findings.append(Finding("evidence", message, name))
        except FileNotFoundError:
            message = f"the file is missing (recorded by event {seq})"
            findings.append(Finding("evidence", message, name))
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            findings.append(Finding("evidence", f"the file cannot be read: {reason}", name))
    return findings
