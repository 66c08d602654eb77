"""Verification: the registry still holds what was recorded.

The ledger is read in stretches of consecutive events. Each stretch is hashed along the chain, its
rows are derived again from the events and compared with the rows in the tables. Evidence has no
index by event: its rows are read for many stretches at once. Time grows with the number of
events, memory does not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, select

from sieve_registry.ledger import signing
from sieve_registry.ledger.canonical import read_payload
from sieve_registry.ledger.chain import GONE, ChainWalk
from sieve_registry.ledger.events import HeadSigned
from sieve_registry.ledger.records import Event, Finding
from sieve_registry.store import schema
from sieve_registry.store.derived_rows import (
    BEFORE_ALL,
    DerivedTable,
    EvidenceRows,
    Key,
    derived_table,
    mark_of,
    plain_rows,
    rows_equal_json,
)
from sieve_registry.store.evidence import EvidenceKeeper
from sieve_registry.store.projection import rows_of
from sieve_registry.store.reader import event_of
from sieve_registry.store.seal import DAMAGED_NOTE, Note
from sieve_registry.store.sqlite_file import OpenFile, check_file
from sieve_registry.store.writer import CLOCK_TOLERANCE

_STRETCH = 2000
_FIRST_SHARE = 0.48  # of the events, in this process, which has a little more to do
_NO_EVENT = "no event of the ledger has recorded this row"
_COPY = ": a backup has it under this name"
_EVENT = tuple(Event.__dataclass_fields__)
_WORTH_HALVING = 30_000  # below it, starting a second process takes longer than it saves
_DAMAGE = (LookupError, TypeError, ValueError, AttributeError)


@dataclass
class Proof:
    """The result of a verification; `head` is the last hash read.

    `sealed`: every byte of the file was compared with its seal; None without a file.
    Of a part, `broken` is the first broken link in it and `unmet` the known heads not in it.
    """

    events: int = 0
    head: str | None = None
    findings: list[Finding] = field(default_factory=list)
    broken: Finding | None = None
    unmet: list[str] = field(default_factory=list)
    sealed: bool | None = None


_Helper = Callable[[Sequence[str], int, int, bool], Proof | None]


def verify_records(
    connection: Connection,
    evidence: EvidenceKeeper,
    known_heads: Iterable[str] = (),
    file: OpenFile | None = None,
    helper: _Helper | None = None,
    *,
    rows: bool = True,
) -> Proof:
    """Verify everything: chain, rows, keys, evidence, and the file if there is one.

    `helper` verifies events in another process, at the same time where rows are compared; without
    it this process verifies all. Without `rows` only the chain and the evidence are verified.
    """
    heads, proof = tuple(known_heads), Proof()
    with ThreadPoolExecutor(1) as pool:  # SQLite checks its file meanwhile
        file_check = None if file is None else pool.submit(check_file, file)
        try:
            _verify_ledger(connection, evidence, heads, helper, rows, proof)
        except _DAMAGE as error:  # tables were altered
            message = f"its records cannot be read ({error})"
            proof.findings.append(Finding("file", message, "registry file"))
        structure, proof.sealed = ([], None) if file_check is None else file_check.result()
    proof.findings += structure
    return proof


def _verify_ledger(
    connection: Connection,
    evidence: EvidenceKeeper,
    heads: tuple[str, ...],
    helper: _Helper | None,
    rows: bool,
    proof: Proof,
) -> None:
    """Add the findings about chain, rows and evidence to `proof`."""
    last = _last_seq(connection)
    parts, orphans = _parts(connection, heads, last, helper, rows)
    proof.findings += _chain_findings(heads, parts)
    for part in parts:
        proof.events += part.events
        proof.head = part.head or proof.head
        proof.findings += part.findings
    proof.findings += orphans + _files(connection, evidence)


def _parts(
    connection: Connection,
    heads: tuple[str, ...],
    last: int,
    helper: _Helper | None,
    rows: bool,
) -> tuple[list[Proof], list[Finding]]:
    """The ledger verified in one part, or in two at the same time; and rows without events."""
    if not rows:
        there = None if helper is None else helper(heads, 0, last, True)
        return [there or verify_stretches(connection, 0, None, heads, rows=False)], []
    if helper is None or last < _WORTH_HALVING:
        return [verify_stretches(connection, 0, None, heads)], _orphan_rows(connection, last)
    middle = int(last * _FIRST_SHARE)
    with ThreadPoolExecutor(1) as pool:
        other = pool.submit(helper, heads, middle, last, False)
        first = verify_stretches(connection, 0, middle, heads)
        orphans = _orphan_rows(connection, last)
        second = other.result()
    return [first, second or verify_stretches(connection, middle, None, heads)], orphans


def verify_stretches(
    connection: Connection,
    after: int,
    until: int | None,
    known_heads: Iterable[str] = (),
    *,
    rows: bool = True,
) -> Proof:
    """Verify the chain from the event after `after`, and with `rows` the rows of each event."""
    proof, sqlite = Proof(), connection.dialect.name == "sqlite"
    before = event_of(connection, after) if after else None
    walk = ChainWalk(known_heads, before)
    tables = [derived_table(table, sqlite) for table in schema.DERIVED]
    kept = EvidenceRows(connection, derived_table(schema.evidence, sqlite))
    seen = _kept_until(connection, after) if after else set[str]()
    last = before
    for stretch in _stretches(connection, after if after else BEFORE_ALL, until):
        start = stretch[0].seq - 1 if last is None else last.seq
        for event in stretch:
            walk.step(event)
            proof.findings += _clock_set_back(last, event)
            last = event
        if rows:
            proof.findings += _compare(connection, tables, stretch, start, kept, seen)
        proof.events += len(stretch)
    proof.head = last.hash if proof.events and last is not None else None
    proof.broken, proof.unmet = walk.broken, walk.unmet
    return proof


def _last_seq(connection: Connection) -> int:
    return int(plain_rows(connection, "SELECT coalesce(max(seq), 0) FROM event")[0][0])


def _kept_until(connection: Connection, seq: int) -> set[str]:
    mark = mark_of(connection)
    sql = f"SELECT sha256 FROM evidence WHERE seq <= {mark}"
    return {str(row[0]) for row in plain_rows(connection, sql, (seq,))}


def _chain_findings(heads: tuple[str, ...], parts: Sequence[Proof]) -> list[Finding]:
    """The first broken link, then the known heads that are in no event of any part."""
    broken = [part.broken for part in parts if part.broken is not None]
    unmet = [head for head in heads if all(head in part.unmet for part in parts)]
    return broken[:1] + [Finding("chain", GONE, f"head {head}") for head in unmet]


def _stretches(connection: Connection, after: int, until: int | None) -> Iterator[list[Event]]:
    mark = mark_of(connection)
    names = ", ".join(column.name for column in schema.event.columns)
    end = "" if until is None else f" AND seq <= {int(until)}"
    sql = f"SELECT {names} FROM event WHERE seq > {mark}{end} ORDER BY seq LIMIT {_STRETCH}"
    while rows := plain_rows(connection, sql, (after,)):
        stretch = [_event(row) for row in rows]
        after = stretch[-1].seq
        yield stretch


def _event(row: Key) -> Event:
    """An event from its row; quicker than the constructor of a frozen record."""
    event = object.__new__(Event)
    event.__dict__.update(zip(_EVENT, row, strict=True))
    return event


def _clock_set_back(last: Event | None, event: Event) -> list[Finding]:
    """A finding where a clock was set back without a recorded reason."""
    if last is None:
        return []
    try:
        if event.recorded_at >= last.recorded_at or '"why_late"' in event.payload:
            return []
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
    tables: list[DerivedTable],
    stretch: list[Event],
    after: int,
    kept: EvidenceRows,
    seen: set[str],
) -> list[Finding]:
    """Findings about the rows of a stretch of events, and about payloads that cannot be read."""
    expected: dict[str, list[Key]] = {table.name: [] for table in tables}
    findings = []
    for event in stretch:
        try:
            payload = read_payload(event.payload)
            for name, rows in rows_of(event, payload).items():
                is_evidence = name == schema.evidence.name
                expected[name] += _not_seen(rows, seen) if is_evidence else rows
            if event.kind == HeadSigned.KIND:
                findings += _signature(event, payload)
        except _DAMAGE:
            message = f"its payload cannot be read as '{event.kind}'"
            findings.append(Finding("records", message, f"event {event.seq}"))
    span = (after, stretch[-1].seq)
    for table in tables:
        wanted = expected[table.name]
        if table.name == schema.evidence.name:
            actual = kept.between(*span)
        elif rows_equal_json(connection, table, wanted, span):
            continue
        else:
            actual = plain_rows(connection, table.sql, span)
        if wanted != actual:
            findings += _differences(table, wanted, actual)
    return findings


def _not_seen(rows: list[Key], seen: set[str]) -> list[Key]:
    """The rows of one event's files that no event before has brought, by hash, each once."""
    first = {row[0]: row for row in reversed(rows) if row[0] not in seen}
    seen.update(first)
    return [first[sha256] for sha256 in sorted(first)]


def _signature(event: Event, payload: dict[str, Any]) -> list[Finding]:
    signed = HeadSigned.from_payload(payload)
    message = signing.fault_of(signed, event.seq, event.previous)
    return [Finding("signature", message, f"event {event.seq}")] if message else []


def _differences(table: DerivedTable, wanted: list[Key], actual: list[Key]) -> list[Finding]:
    """Findings about rows that are missing, strange, or differ from their events."""
    findings = []
    by_key = {table.key_of(row): row for row in actual}
    expected: dict[Key, Key] = {}
    for row in wanted:
        expected.setdefault(table.key_of(row), row)
    for key in sorted(expected.keys() | by_key.keys(), key=str):
        subject = f"{table.name} {', '.join(str(part) for part in key)}"
        if key not in by_key:
            findings.append(Finding("records", "is in the ledger, but its row is gone", subject))
        elif key not in expected:
            findings.append(Finding("records", _NO_EVENT, subject))
        elif by_key[key] != expected[key]:
            pairs = zip(table.columns, by_key[key], expected[key], strict=True)
            names = ", ".join(name for name, is_now, was in pairs if is_now != was)
            message = f"{names} differ from {_origin(table, key, expected)}"
            findings.append(Finding("records", message, subject))
    return findings


def _origin(table: DerivedTable, key: Key, expected: dict[Key, Key]) -> str:
    if "seq" not in table.columns:
        return "the event it came from"
    return f"event {expected[key][table.columns.index('seq')]}"


def note_faults(connection: Connection, note: Note | None) -> list[Finding]:
    """A finding where the note gives its head another event number than the ledger."""
    if note is None:
        return []
    mark = mark_of(connection)
    where = plain_rows(connection, f"SELECT seq FROM event WHERE hash = {mark}", (note.head,))
    if all(row == (note.count,) for row in where):  # the chain reports a missing head
        return []
    return [Finding("file", DAMAGED_NOTE, "registry file")]


def _orphan_rows(connection: Connection, end: int) -> list[Finding]:
    """Rows that belong to no stretch: their event is not there, or their check is not."""
    findings = []
    for table in schema.DERIVED:
        derived = derived_table(table, connection.dialect.name == "sqlite")
        for row in plain_rows(connection, derived.rest, (end,)):
            key = ", ".join(str(part) for part in derived.key_of(row))
            findings.append(Finding("records", _NO_EVENT, f"{derived.name} {key}"))
    return findings


def _files(connection: Connection, evidence: EvidenceKeeper) -> list[Finding]:
    findings = []
    kept = schema.evidence
    query = select(kept.c.sha256, kept.c.extension, kept.c.seq).order_by(kept.c.seq)
    for sha256, extension, seq in plain_rows(connection, str(query)):
        name = f"evidence {evidence.name_of(str(sha256), str(extension))}"
        try:
            if evidence.digest(str(sha256), str(extension), connection) != sha256:
                message = f"the file was altered (recorded by event {seq}){_COPY}"
                findings.append(Finding("evidence", message, name))
        except FileNotFoundError:
            message = f"the file is missing (recorded by event {seq}){_COPY}"
            findings.append(Finding("evidence", message, name))
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            findings.append(Finding("evidence", f"the file cannot be read: {reason}", name))
    return findings
