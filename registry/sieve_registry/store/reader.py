"""Reading: rows back to records."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, Row, Select, Table, func, select

from sieve_registry.errors import BrokenRecordError
from sieve_registry.records import (
    Check,
    CheckDetail,
    DirectionFigures,
    Event,
    EvidenceFile,
    Margin,
    Retirement,
    Sieve,
    SieveEdit,
    SieveHistory,
    Use,
)
from sieve_registry.store import schema

__all__ = [
    "check_detail",
    "count_events",
    "events",
    "evidence_extension",
    "histories",
    "last_event",
]


def last_event(connection: Connection) -> Event | None:
    """The head of the ledger, or None when nothing was recorded yet."""
    query = select(schema.event).order_by(schema.event.c.seq.desc()).limit(1)
    row = connection.execute(query).first()
    return None if row is None else Event(*row)


def count_events(connection: Connection) -> int:
    """How many events the ledger holds."""
    return connection.execute(select(func.count()).select_from(schema.event)).scalar_one()


def events(connection: Connection) -> Iterator[Event]:
    """All events in order."""
    for row in connection.execute(select(schema.event).order_by(schema.event.c.seq)):
        yield Event(*row)


@contextmanager
def _legible() -> Iterator[None]:
    """A row that is no record any more was altered from outside: say so, and where to look."""
    try:
        yield
    except (ValueError, TypeError, ArithmeticError) as error:
        raise BrokenRecordError(count=1, first=f"a row cannot be read ({error})") from error


@_legible()
def histories(connection: Connection, sieve_id: str | None = None) -> dict[str, SieveHistory]:
    """Everything recorded of every sieve, or of one, by sieve id in alphabetical order."""
    edits = _grouped(connection, schema.sieve_edit, sieve_id)
    checks = _grouped(connection, schema.check, sieve_id)
    uses = _grouped(connection, schema.use, sieve_id)
    ends = _grouped(connection, schema.retirement, sieve_id)
    query = _with_event(schema.sieve).order_by(schema.sieve.c.id)
    if sieve_id is not None:
        query = query.where(schema.sieve.c.id == sieve_id)
    return {
        row.id: SieveHistory(
            sieve=_sieve(row),
            edits=tuple(_edit(r) for r in edits[row.id]),
            checks=tuple(_check(r) for r in checks[row.id]),
            uses=tuple(_use(r) for r in uses[row.id]),
            retirement=next((_retirement(r) for r in ends[row.id]), None),
        )
        for row in connection.execute(query)
    }


@_legible()
def check_detail(connection: Connection, check_id: str) -> CheckDetail | None:
    """One check with everything that belongs to it, or None."""
    check, margin, link = schema.check, schema.check_margin, schema.check_evidence
    row = connection.execute(_with_event(check).where(check.c.id == check_id)).first()
    if row is None:
        return None
    margins = connection.execute(
        select(margin).where(margin.c.check_id == check_id).order_by(margin.c.position)
    )
    kept = schema.evidence
    files = connection.execute(
        select(kept.c.sha256, kept.c.extension, kept.c.size, link.c.role, link.c.name)
        .join_from(link, kept)
        .where(link.c.check_id == check_id)
        .order_by(link.c.position)
    )
    event = connection.execute(select(schema.event).where(schema.event.c.seq == row.seq)).one()
    return CheckDetail(
        check=_check(row),
        margins=tuple(_margin(r) for r in margins),
        evidence=tuple(EvidenceFile(*r) for r in files),
        event=Event(*event),
    )


def evidence_extension(connection: Connection, sha256: str) -> str | None:
    """The extension under which evidence of that hash is kept, or None when there is none."""
    table = schema.evidence
    query = select(table.c.extension).where(table.c.sha256 == sha256)
    return connection.execute(query).scalar_one_or_none()


def _with_event(table: Table) -> Select[Any]:
    """A table's rows with the time, person and software of the event that recorded each."""
    event = schema.event
    return select(table, event.c.recorded_at, event.c.person, event.c.software).join_from(
        table, event, table.c.seq == event.c.seq
    )


def _grouped(
    connection: Connection, table: Table, sieve_id: str | None
) -> defaultdict[str, list[Row[Any]]]:
    query = _with_event(table).order_by(table.c.seq)
    if sieve_id is not None:
        query = query.where(table.c.sieve_id == sieve_id)
    groups: defaultdict[str, list[Row[Any]]] = defaultdict(list)
    for row in connection.execute(query):
        groups[row.sieve_id].append(row)
    return groups


def _sieve(row: Row[Any]) -> Sieve:
    return Sieve(
        id=row.id,
        nominal_nm=row.nominal_nm,
        standard=row.standard,
        grade=row.grade,
        serial=row.serial,
        frame_nm=row.frame_nm,
        in_service=None if row.in_service is None else date.fromisoformat(row.in_service),
        added_on=date.fromisoformat(row.added_on),
        interval_months=row.interval_months,
        interval_uses=row.interval_uses,
        location=row.location,
        maker=row.maker,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
    )


def _edit(row: Row[Any]) -> SieveEdit:
    return SieveEdit(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        interval_months=row.interval_months,
        interval_uses=row.interval_uses,
        location=row.location,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
    )


def _figures(row: Row[Any], axis: str) -> DirectionFigures:
    column = row._mapping
    return DirectionFigures(
        count=column[f"{axis}_count"],
        mean_um=Decimal(column[f"{axis}_mean_um"]),
        sd_um=_decimal(column[f"{axis}_sd_um"]),
        max_um=_decimal(column[f"{axis}_max_um"]),
        u_mean_um=_decimal(column[f"{axis}_u_mean_um"]),
        u_sd_um=_decimal(column[f"{axis}_u_sd_um"]),
        u_max_um=_decimal(column[f"{axis}_u_max_um"]),
        wire_mean_um=_decimal(column[f"{axis}_wire_mean_um"]),
    )


def _check(row: Row[Any]) -> Check:
    return Check(
        id=row.id,
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        nominal_nm=row.nominal_nm,
        standard=row.standard,
        grade=row.grade,
        rule=row.rule,
        outcome=row.outcome,
        action=row.action,
        action_reason=row.action_reason,
        reasons=tuple(json.loads(row.reasons)),
        fit=row.fit,
        x=_figures(row, "x"),
        y=_figures(row, "y"),
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
        software=row.software,
    )


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def _margin(row: Row[Any]) -> Margin:
    return Margin(
        name=row.name,
        direction=row.direction,
        value_um=_decimal(row.value_um),
        expanded_um=_decimal(row.expanded_um),
        limit_low_um=_decimal(row.limit_low_um),
        limit_high_um=_decimal(row.limit_high_um),
        outcome=row.outcome,
    )


def _use(row: Row[Any]) -> Use:
    # `row.count` is a method of every row, so the column is read by name.
    return Use(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        count=row._mapping["count"],
        note=row.note,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
    )


def _retirement(row: Row[Any]) -> Retirement:
    return Retirement(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        reason=row.reason,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
    )
