"""What was true on one past day, as tables: for the terminal, CSV files and pages to file away.

Two times are kept apart. A row belongs to the day it concerns (`on_date`); when it was recorded
only after the day asked for, the column "recorded later" says on which day, so that nobody takes
what is known today for what was known then. With `known_then` only what was recorded by the end of
that day counts: exactly what was known.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, cast

from sqlalchemy import Connection

from sieve_inspect.units import format_length
from sieve_registry import service
from sieve_registry.auditpage import render
from sieve_registry.records import (
    ACTION_DECIDED,
    Check,
    SieveHistory,
    SieveState,
    Use,
    Verification,
)
from sieve_registry.rules.lifecycle import refuse_future
from sieve_registry.rules.lookback import lookback_of
from sieve_registry.rules.state import IN_SERVICE, QUARANTINED, RETIRED, state_as_of
from sieve_registry.service import Registry
from sieve_registry.sheets import csv_cell
from sieve_registry.store import listing, reader, writer

__all__ = ["Audit", "AuditTable", "audit", "csv_cell", "recorded_later", "render"]

LATER = "recorded later"
_SIEVES = (
    "sieve", "nominal", "standard", "grade", "status", "last check", "outcome", "check due",
    "overdue", "uses", "location", "maker", "type", "serial", "frame", "height", "cloth",
    "certificate", "warp", "in service", "interval", "signed off by", LATER,
)  # fmt: skip
_DUE = ("sieve", "nominal", "last check", "outcome", "check due", "location")
_CHECKS = (
    "check", "sieve", "date", "outcome", "mean x, um", "mean y, um", "largest, um", "standard",
    "grade", "decision rule", "proposed", "scale", "by", "software", "recorded at", LATER,
)  # fmt: skip
_NO_SCALE = ("check", "sieve", "date", "outcome", "why")
_OPEN = ("sieve", "check", "date", "outcome", "location")
_USES = ("sieve", "date", "uses", "method", "material", "note", "by", "recorded at", LATER)
_ENDS = ("sieve", "date", "reason", "by", "recorded at", LATER)
_LOOKBACKS = ("sieve", "because", "good until", "uses before", "uses after", "decided")
_CHANGES = ("sieve", "date", "change", "by", "recorded at", LATER)
_CORRECTIONS = (
    "event", "event corrected", "what", "sieve", "was", "should read", "reason", "by",
    "recorded at", LATER,
)  # fmt: skip
_EVIDENCE = ("sha256", "file", "bytes", "recorded by event")
_FINDINGS = ("source", "subject", "finding")
_MANY_EVENTS = 30_000  # from here on the audit proves the chain and leaves the rows to `verify`


@dataclass(frozen=True)
class AuditTable:
    """One table; every cell is text, empty where nothing is to be said."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Audit:
    """Everything that concerned `as_of` or earlier; `events` and `head` are the ledger's today.

    `events_then` and `head_then` are the ledger at the end of that day. `proven` says how much of
    it was proven: "all", or "chain and evidence" for a very long ledger.
    """

    as_of: date
    made_at: str
    events: int
    head: str | None
    tables: tuple[AuditTable, ...]
    remarks: tuple[str, ...]
    events_then: int
    head_then: str | None
    known_then: bool
    verification: Verification
    proven: str

    def to_dict(self) -> dict[str, Any]:
        """`audit --json`: the tables as lists of rows by column name."""
        return {
            "as_of": self.as_of.isoformat(),
            "made_at": self.made_at,
            "ledger": {"events": self.events, "head": self.head},
            "ledger_then": {"events": self.events_then, "head": self.head_then},
            "known_then": self.known_then,
            "verify": {"ok": self.verification.ok, "proven": self.proven},
            "remarks": list(self.remarks),
            **{
                table.name: [dict(zip(table.columns, row, strict=True)) for row in table.rows]
                for table in self.tables
            },
        }


def audit(registry: Registry, as_of: date, *, known_then: bool = False) -> Audit:
    """The state and history of every sieve at the end of `as_of`, and the proof of the ledger.

    Raises `DateRefusedError` for a day to come: nothing can be said of it yet.
    """
    refuse_future(as_of, registry.today(), "an audit")
    events, head = service.ledger_head(registry)
    quick = events > _MANY_EVENTS
    with ThreadPoolExecutor(1) as pool:
        proving = pool.submit(service.verify, registry, quick=quick)
        with registry.reading() as connection:
            seq = reader.event_known_on(connection, _end_of(as_of))
            then = reader.event_of(connection, seq)
            tables, states = _tables(connection, as_of, seq if known_then else None)
        proof = proving.result()
    findings = ((one.source, one.subject, one.message) for one in proof.findings)
    return Audit(
        as_of=as_of,
        made_at=registry.now().astimezone().isoformat(timespec="seconds"),
        events=events,
        head=head,
        tables=(*tables, _table("findings", "What verify found", _FINDINGS, findings)),
        remarks=tuple(f"{one.subject}: {one.message}" for s in states for one in s.remarks),
        events_then=seq,
        head_then=None if then is None else then.hash,
        known_then=known_then,
        verification=proof,
        proven="chain and evidence" if quick else "all",
    )


def recorded_later(recorded_at: str, as_of: date) -> str:
    """The day something was recorded, when that was after `as_of`; else nothing."""
    if recorded_at <= _end_of(as_of):
        return ""
    return datetime.fromisoformat(recorded_at).astimezone().date().isoformat()


_ENDS_OF_DAYS: dict[date, str] = {}


def _end_of(day: date) -> str:
    """The last second of a day where this computer stands, as events write their time."""
    if day not in _ENDS_OF_DAYS:
        if day == date.max:
            return "9999-12-31T23:59:59Z"
        midnight = datetime.combine(day + timedelta(days=1), time()).astimezone()
        _ENDS_OF_DAYS[day] = writer.utc_text(midnight - timedelta(seconds=1))
    return _ENDS_OF_DAYS[day]


def _table(
    name: str, title: str, columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]
) -> AuditTable:
    return AuditTable(name, title, columns, tuple(rows))


_Pairs = list[tuple[SieveState, SieveHistory]]


def _tables(
    connection: Connection, day: date, until: int | None
) -> tuple[list[AuditTable], list[SieveState]]:
    histories = reader.histories_at(connection, day, until)
    pairs = [(state_as_of(history, day), history) for history in histories.values()]
    there = [(state, history) for state, history in pairs if state is not None]
    states = [state for state, _ in there]
    checks = [_check_row(row, day) for row in listing.check_rows(connection, day, until)]
    live = [state for state in states if state.status == IN_SERVICE]
    never = [state for state in live if state.last_check is None]
    late = [state for state in live if state.overdue]
    found = [
        _table("sieves", "Sieves", _SIEVES, (_sieve_row(*pair) for pair in there)),
        _table("overdue", "Checks overdue", _DUE, map(_due_row, late)),
        _table("never_checked", "Never checked", _DUE, map(_due_row, never)),
        _table("checks", "Checks", _CHECKS, checks),
        _table("no_scale", "Checks without a certified scale", _NO_SCALE, _no_scale(checks)),
        _table("conditional", "Conditional outcomes still open", _OPEN, _open_rows(live)),
        _table("quarantines", "In quarantine", _ENDS, _quarantine_rows(states)),
        _table("retirements", "Retirements", _ENDS, _retirement_rows(there)),
        _table("lookbacks", "Look-backs", _LOOKBACKS, _lookback_rows(connection, there, until)),
        _table("uses", "Uses", _USES, _use_rows(connection, day, until)),
        _table("changes", "Changes and acts", _CHANGES, _change_rows(there)),
        _table("corrections", "Corrections", _CORRECTIONS, _correction_rows(there)),
        _table("evidence", "Evidence", _EVIDENCE, _evidence_rows(connection, until)),
    ]
    return found, states


def _sieve_row(state: SieveState, history: SieveHistory) -> tuple[str, ...]:
    sieve, last, day, more = state.sieve, state.last_check, state.as_of, state.details
    end = history.retirement if state.status == RETIRED else None
    parts = [
        ("sieve", recorded_later(sieve.recorded_at, day)),
        ("last check", recorded_later(last.recorded_at, day) if last else ""),
        ("retirement", recorded_later(end.recorded_at, day) if end else ""),
    ]
    uses = f" or {state.interval_uses} uses" if state.interval_uses else ""
    return (
        sieve.id,
        format_length(sieve.nominal_um),
        sieve.standard,
        sieve.grade,
        state.status,
        str(last.on_date) if last else "",
        last.outcome if last else "never checked",
        str(state.due or ""),
        "yes" if state.overdue else "no",
        str(state.uses_total),
        state.location,
        sieve.maker,
        more.type,
        sieve.serial,
        "" if sieve.frame_nm is None else format_length(sieve.frame_nm / 1000),
        more.height,
        more.cloth,
        more.certificate,
        more.warp,
        str(sieve.in_service or ""),
        f"{state.interval_months} months{uses}",
        state.signed.person if state.signed else "",
        "; ".join(f"{what} {when}" for what, when in parts if when),
    )


def _due_row(state: SieveState) -> tuple[str, ...]:
    last = state.last_check
    return (
        state.sieve.id,
        format_length(state.sieve.nominal_um),
        str(last.on_date) if last else "",
        last.outcome if last else "never checked",
        str(state.due or ""),
        state.location,
    )


def _check_row(row: Any, as_of: date) -> tuple[str, ...]:
    largest = [Decimal(one) for one in (row.x_max_um, row.y_max_um) if one is not None]
    return (
        row.id,
        row.sieve_id,
        row.on_date,
        row.outcome,
        f"{Decimal(row.x_mean_um):.2f}",
        f"{Decimal(row.y_mean_um):.2f}",
        f"{max(largest):.2f}" if largest else "",
        row.standard,
        row.grade,
        row.rule,
        row.action,
        row.scale_source or "",
        row.person,
        row.software,
        row.recorded_at,
        recorded_later(row.recorded_at, as_of),
    )


def _no_scale(checks: list[tuple[str, ...]]) -> Iterable[tuple[str, ...]]:
    """Checks whose micrometres nobody certified."""
    place = _CHECKS.index("scale")
    for row in checks:
        source = row[place]
        if not source:
            yield (*row[:4], "recorded without a scale")
        elif "not certified" in source or source.startswith("given by hand"):
            yield (*row[:4], source)


def _open_rows(live: list[SieveState]) -> Iterable[tuple[str, ...]]:
    for state in live:
        last = state.last_check
        if last is not None and last.outcome.startswith("conditional"):
            yield state.sieve.id, last.id, str(last.on_date), last.outcome, state.location


def _quarantine_rows(states: list[SieveState]) -> Iterable[tuple[str, ...]]:
    for state in states:
        act = state.quarantine
        if state.status == QUARANTINED and act is not None:
            later = recorded_later(act.recorded_at, state.as_of)
            damage = "damage: " if act.payload.get("damage") else ""
            reason = f"{damage}{act.payload['reason']}"
            yield (
                state.sieve.id, str(act.on_date), reason, act.person, act.recorded_at, later,
            )  # fmt: skip


def _retirement_rows(there: _Pairs) -> Iterable[tuple[str, ...]]:
    for state, history in there:
        end = history.retirement
        if state.status == RETIRED and end is not None:
            later = recorded_later(end.recorded_at, state.as_of)
            yield (
                state.sieve.id, str(end.on_date), end.reason, end.person, end.recorded_at, later,
            )  # fmt: skip


def _lookback_rows(
    connection: Connection, there: _Pairs, until: int | None
) -> Iterable[tuple[str, ...]]:
    """Sieves found bad that had been used: what was decided, or that nothing was yet."""
    if not there:
        return
    day = there[0][0].as_of
    marks = listing.check_marks(connection, day, until)
    uses = _uses(connection, day, until)
    decided: dict[str, list[Any]] = {}
    for fact in reader.facts(connection, [ACTION_DECIDED], None, until):
        decided.setdefault(fact.subject, []).append(fact)
    for state, history in there:
        sieve_id = state.sieve.id
        if sieve_id not in uses:
            continue
        # A look back rests on a check's day, order and outcome alone, which a mark has.
        whole = replace(
            history,
            checks=tuple(cast("list[Check]", marks.get(sieve_id, []))),
            uses=tuple(uses[sieve_id]),
        )
        found = lookback_of(whole, day)
        if found.cause is None or not found.uses:
            continue
        answers = [
            f"{fact.payload.get('action', 'decided')} on {fact.on_date} by {fact.person}"
            for fact in decided.get(sieve_id, [])
            if fact.seq > found.cause.seq and fact.on_date <= day
        ]
        yield (
            sieve_id,
            found.cause.words,
            str(found.good.on_date) if found.good else "never",
            str(sum(use.count for use in found.between)),
            str(sum(use.count for use in found.after)),
            answers[-1] if answers else "open",
        )


def _uses(connection: Connection, day: date, until: int | None) -> dict[str, list[Use]]:
    found: dict[str, list[Use]] = {}
    for row in listing.use_rows(connection, day, until):
        count, on = row._mapping["count"], date.fromisoformat(row.on_date)
        use = Use(row.sieve_id, on, count, row.note, row.seq, row.recorded_at, row.person)
        found.setdefault(row.sieve_id, []).append(use)
    return found


def _use_rows(connection: Connection, day: date, until: int | None) -> Iterable[tuple[str, ...]]:
    for row in listing.use_rows(connection, day, until):
        details = {} if row.details == "{}" else json.loads(row.details)
        yield (
            row.sieve_id,
            row.on_date,
            str(row._mapping["count"]),
            details.get("method", ""),
            details.get("material", ""),
            row.note,
            row.person,
            row.recorded_at,
            recorded_later(row.recorded_at, day),
        )


def _change_rows(there: _Pairs) -> Iterable[tuple[str, ...]]:
    for state, history in there:
        changes: list[tuple[Any, str]] = []
        for edit in history.edits:
            values = (
                ("interval in months", edit.interval_months),
                ("interval in uses", edit.interval_uses),
                ("location", edit.location),
                *edit.details,
            )
            words = ", ".join(f"{name} {value}" for name, value in values if value is not None)
            changes.append((edit, words))
        for act in history.acts:
            said = (act.payload.get(name, "") for name in ("check", "method", "reason", "note"))
            words = ", ".join(str(one) for one in said if one)
            changes.append((act, f"{act.kind}: {words}" if words else act.kind))
        if history.retirement is not None:
            changes.append((history.retirement, f"retired: {history.retirement.reason}"))
        for record, words in sorted(changes, key=lambda pair: pair[0].seq):
            if record.on_date <= state.as_of:
                later = recorded_later(record.recorded_at, state.as_of)
                yield (
                    history.sieve.id, str(record.on_date), words, record.person,
                    record.recorded_at, later,
                )  # fmt: skip


def _correction_rows(there: _Pairs) -> Iterable[tuple[str, ...]]:
    """Both readings of everything corrected, also when it was corrected only later."""
    names = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}

    def words(values: Any) -> str:
        return ", ".join(f"{names.get(name, name)} {value}" for name, value in values.items())

    for state, history in there:
        for one in history.corrections:
            reads = "void" if one.void else words(one.now) or "as first recorded"
            yield (
                str(one.seq), str(one.corrects), one.kind, one.sieve_id, words(one.was), reads,
                one.reason, one.person, one.recorded_at,
                recorded_later(one.recorded_at, state.as_of),
            )  # fmt: skip


def _evidence_rows(connection: Connection, until: int | None) -> Iterable[tuple[str, ...]]:
    for sha256, extension, size, seq in reader.evidence_files(connection):
        if until is None or seq <= until:
            yield sha256, f"{sha256[:2]}/{sha256}{extension}", str(size), str(seq)
