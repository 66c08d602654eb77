"""An audit's table of evidence: every file kept, and what it was first kept for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import select

from sieve_registry import events
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table
from sieve_registry.store import listing, reader, schema


@dataclass(frozen=True)
class _Purpose:
    """What a file was first kept for: a check, or a certificate, scale or imported table."""

    check_id: str
    event: str
    role: str
    name: str


_WITH_FILES: tuple[
    type[events.ArtefactAdded | events.ScaleCalibrated | events.RecordsImported], ...
] = (events.ArtefactAdded, events.ScaleCalibrated, events.RecordsImported)


@dataclass(frozen=True)
class _File:
    sha256: str
    place: str
    size: int
    seq: int
    purpose: _Purpose
    recorded_at: str


def evidence_table(scope: Scope) -> AuditTable:
    """Every file kept of what concerns the day of the audit or an earlier one."""
    columns: Columns[_File] = (
        ("sha256", lambda f: f.sha256),
        ("file", lambda f: f.place),
        ("bytes", lambda f: str(f.size)),
        ("recorded by event", lambda f: str(f.seq)),
        ("check", lambda f: f.purpose.check_id),
        ("kept for", lambda f: f.purpose.event),
        ("is its", lambda f: f.purpose.role),
        ("name", lambda f: f.purpose.name),
        (RECORDED_LATER, lambda f: scope.recorded_later(f.recorded_at)),
    )
    return table("evidence", "Evidence", columns, _files(scope))


def _files(scope: Scope) -> Iterator[_File]:
    purposes = _purposes(scope)
    with_files = schema.event.c.seq.in_(select(schema.evidence.c.seq))
    query = select(schema.event.c.seq, schema.event.c.recorded_at).where(with_files)
    recorded = {event.seq: event.recorded_at for event in scope.connection.execute(query)}
    for sha256, extension, size, seq in reader.evidence_files(scope.connection):
        if sha256 in purposes and (scope.until is None or seq <= scope.until):
            place = f"{sha256[:2]}/{sha256}{extension}"
            yield _File(sha256, place, size, seq, purposes[sha256], recorded[seq])


def _purposes(scope: Scope) -> dict[str, _Purpose]:
    """What each file was kept for, by hash; imported tables always count: their rows are older."""
    found: dict[str, _Purpose] = {}
    for fact in scope.facts(*_WITH_FILES):
        if fact.on_date <= scope.as_of or isinstance(fact.payload, events.RecordsImported):
            for file in fact.payload.evidence:
                event = f"{fact.kind}: {fact.subject}"
                found.setdefault(file.sha256, _Purpose("", event, file.role, file.name))
    for link in listing.evidence_links(scope.connection, scope.as_of, scope.until):
        found.setdefault(link.sha256, _Purpose(link.check_id, "", link.role, link.name))
    return found
