"""An audit's tables of certificates, of equipment with events and use, and of the environment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from sys import intern
from typing import Any

from sieve_registry.audit.table import AuditTable, Columns, Scope, table
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import CertificateRecorded, EquipmentLogged
from sieve_registry.ledger.records import Fact
from sieve_registry.quality.certificate_rules import Comparison, compare
from sieve_registry.quality.equipment_lookback import (
    USING,
    EquipmentLookback,
    lookbacks_on,
    name_of,
    record_name,
)
from sieve_registry.scales.corrections import live
from sieve_registry.scales.environment import words
from sieve_registry.scales.equipment import EQUIPMENT_EVENTS, Equipment, equipment_of
from sieve_registry.sieves.certificates import certificates_of
from sieve_registry.store import content, reader

EQUIPMENT_TABLES = ("certificates", "equipment", "equipment_events", "equipment_use", "environment")


def equipment_tables(scope: Scope) -> list[AuditTable]:
    """Certificates with E_n, equipment with its events and use, and the environment of checks.

    Of those only the tables that have rows: most laboratories keep but some of it.
    """
    pieces = equipment_of(live(scope.connection, EQUIPMENT_EVENTS, None, scope.until), scope.as_of)
    logged = [(piece, fact) for piece in pieces for fact in piece.log]
    used, in_air = _used_and_air(scope)
    tables = [
        table("certificates", "Certificates", _certificate_columns(scope), _compared(scope)),
        table("equipment", "Equipment", _equipment_columns(scope), pieces),
        table("equipment_events", "Equipment events", _event_columns(scope), logged),
        AuditTable("equipment_use", "Use of equipment", _USE_COLUMNS, used),
        AuditTable("environment", "Environment of checks", _AIR_COLUMNS, in_air),
    ]
    return [made for made in tables if made.rows]


def _compared(scope: Scope) -> Iterator[Comparison]:
    """Every certificate up to the day, as then corrected, with the nearest own check by then."""
    facts = scope.facts(CertificateRecorded)
    for sieve_id in dict.fromkeys(fact.subject for fact in facts if fact.on_date <= scope.as_of):
        history = reader.histories(scope.connection, sieve_id, scope.until)[sieve_id]
        for fact in certificates_of(history, scope.as_of):
            yield compare(history, fact, scope.as_of)


def _certificate_columns(scope: Scope) -> Columns[Comparison]:
    return (
        ("sieve", lambda c: c.certificate.subject),
        ("date", lambda c: str(c.certificate.on_date)),
        ("number", lambda c: c.certificate.payload.number),
        ("laboratory", lambda c: c.certificate.payload.laboratory),
        ("accreditation", lambda c: c.certificate.payload.accreditation),
        ("outcome", lambda c: c.certificate.payload.outcome),
        ("standard", lambda c: c.certificate.payload.standard),
        ("mean x, um", lambda c: _text(c.certificate.payload.x.mean_um)),
        ("U mean x, um", lambda c: _text(c.certificate.payload.x.expanded_um)),
        ("mean y, um", lambda c: _text(c.certificate.payload.y.mean_um)),
        ("U mean y, um", lambda c: _text(c.certificate.payload.y.expanded_um)),
        ("k", lambda c: _text(c.certificate.payload.k)),
        ("next due", lambda c: str(c.certificate.payload.next_due or "")),
        ("own check", lambda c: c.check.id if c.check else ""),
        ("days apart", lambda c: "" if c.days_apart is None else str(c.days_apart)),
        ("E_n", _e_numbers),
        ("document", lambda c: _files(c.certificate)),
        ("by", lambda c: c.certificate.person),
        ("event", lambda c: str(c.certificate.seq)),
        *((name, lambda c, cell=cell: cell(c.certificate)) for name, cell in scope.time_columns()),
    )


def _text(value: object) -> str:
    return "" if value is None else f"{value:f}"


def _e_numbers(comparison: Comparison) -> str:
    return ", ".join(f"{part.direction} {part.e_n:+.2f}" for part in comparison.directions)


def _files(fact: Fact[Any]) -> str:
    return ", ".join(f"{file.name} ({file.sha256[:16]})" for file in fact.payload.evidence)


def _equipment_columns(scope: Scope) -> Columns[Equipment]:
    names = ("kind", "maker", "model", "serial", "firmware", "driver", "place", "criterion")
    return (
        ("equipment", lambda p: p.id),
        *((name, lambda p, name=name: str(getattr(p, name))) for name in names),
        ("stands for", lambda p: ", ".join(p.names)),
        ("received", lambda p: str(p.received or "")),
        ("state", lambda p: str(p.state)),
        ("to note", lambda p: "; ".join(finding.message for finding in p.findings)),
        ("valid to", lambda p: str(p.valid_to or "")),
        ("next due", lambda p: str(p.next_due or "")),
        ("overdue", lambda p: "yes" if p.overdue else "no"),
        ("by", lambda p: p.person),
        ("event", lambda p: str(p.seq)),
        *scope.time_columns(),
    )


def _event_columns(scope: Scope) -> Columns[tuple[Equipment, Fact[EquipmentLogged]]]:
    return (
        ("equipment", lambda e: e[0].id),
        ("date", lambda e: str(e[1].on_date)),
        ("what", lambda e: e[1].payload.act),
        ("outcome", lambda e: e[1].payload.outcome),
        ("note", lambda e: e[1].payload.note),
        ("next due", lambda e: str(e[1].payload.next_due or "")),
        ("document", lambda e: _files(e[1])),
        ("by", lambda e: e[1].person),
        ("event", lambda e: str(e[1].seq)),
        *((name, lambda e, cell=cell: cell(e[1])) for name, cell in scope.time_columns()),
    )


_Rows = tuple[tuple[str, ...], ...]
_USE_COLUMNS = ("equipment", "date", "used for", "to note", "in question", "event")
_AIR_COLUMNS = ("check", "sieve", "date", "temperature and humidity", "to note", "event")


def _used_and_air(scope: Scope) -> tuple[_Rows, _Rows]:
    """Every use of equipment that a record names, and the environment that checks keep.

    With the uses are other records with equipment that failed. There may be very many: each event
    is turned into cells as it is read.
    """
    doubted = {
        (fact.seq, review.piece.id): _use_cells(fact, review)
        for review in lookbacks_on(scope.connection, scope.as_of, scope.until)
        for fact in review.records
    }
    used: list[tuple[str, ...]] = []
    air: list[tuple[str, ...]] = []
    last = scope.as_of.isoformat()
    fields = ("equipment", "environment")
    for event in content.events_with(scope.connection, USING, fields, scope.until):
        if event.on_date <= last:
            number = str(event.seq)
            used += (c for c in _uses_of(event, number) if (event.seq, c[0]) not in doubted)
            air += _air_of(event, number)
    if doubted:
        used = sorted((*used, *doubted.values()), key=lambda cells: (int(cells[-1]), cells[0]))
    return tuple(used), tuple(air)


def _uses_of(event: content.PlainEvent, number: str) -> Iterator[tuple[str, ...]]:
    of = event.payload
    for name in sorted(set(of.get("equipment", ()))):
        what, noted = name_of(event.kind, event.subject, of), _noted(name, of.get("warnings", ()))
        yield intern(name), intern(event.on_date), what, noted, "", number


def _air_of(event: content.PlainEvent, number: str) -> Iterator[tuple[str, ...]]:
    of = event.payload
    if isinstance(kept := of.get("environment"), dict):
        check = intern(str(of.get("check") or of.get("kind", "")))
        sieve, day, faults = intern(event.subject), intern(event.on_date), kept.get("faults", ())
        yield check, sieve, day, intern(words(kept)), "; ".join(faults), number


def _use_cells(fact: Fact[EventPayload], review: EquipmentLookback) -> tuple[str, ...]:
    name, warnings = review.piece.id, getattr(fact.payload, "warnings", ())
    cells = (name, str(fact.on_date), record_name(fact), _noted(name, warnings), review.reason)
    return (*cells, str(fact.seq))


def _noted(name: str, warnings: Sequence[str]) -> str:
    return "; ".join(warning for warning in warnings if warning.startswith(f"{name}: "))
