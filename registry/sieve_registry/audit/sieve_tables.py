"""An audit's tables of sieves: their state that day, checks due, uses, look-backs and changes."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, cast

from sieve_inspect.units import format_length
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.corrections import fields_text
from sieve_registry.ledger.events import CertificateRecorded
from sieve_registry.ledger.records import (
    Check,
    Correction,
    Fact,
    Retirement,
    SieveEdit,
    SieveHistory,
    SieveState,
    Use,
)
from sieve_registry.outlook.cloth_history import moment
from sieve_registry.quality.lookback import Lookback, lookbacks_of
from sieve_registry.sieves.certificates import summary_of
from sieve_registry.sieves.state import IN_SERVICE, QUARANTINED, RETIRED
from sieve_registry.store import listing

_Entry = tuple[str, str, SieveEdit | Fact[EventPayload] | Retirement]  # sieve, text and record


@dataclass(frozen=True)
class SieveRecord:
    """A sieve's state on the day of the audit, and its history."""

    state: SieveState
    history: SieveHistory


def sieve_tables(scope: Scope, sieves: Sequence[SieveRecord]) -> list[AuditTable]:
    """All tables whose rows are sieves or entries in a sieve's history, but for corrections."""
    states = [sieve.state for sieve in sieves if sieve.state.status == IN_SERVICE]
    overdue = [state for state in states if state.overdue]
    unchecked = [state for state in states if state.unchecked]
    conditional = [state for state in states if _outcome(state).startswith("conditional")]
    changes = [
        entry
        for sieve in sieves
        for entry in sorted(_changes(sieve.history), key=lambda entry: entry[2].seq)
        if entry[2].on_date <= scope.as_of
    ]
    return [
        table("sieves", "Sieves", _sieve_columns(scope), sieves),
        table("overdue", "Checks overdue", _DUE_COLUMNS, overdue),
        table("never_checked", "Never checked", _DUE_COLUMNS, unchecked),
        table("conditional", "Conditional outcomes still open", _OPEN_COLUMNS, conditional),
        table("quarantines", "In quarantine", _entry_columns(scope), _quarantines(sieves)),
        table("retirements", "Retirements", _entry_columns(scope), _retirements(sieves)),
        table("changes", "Changes", _entry_columns(scope, "change"), changes),
    ]


def corrections_table(scope: Scope, sieves: Sequence[SieveRecord]) -> AuditTable:
    """Both readings of every record corrected, also where the correction came only later."""
    columns: Columns[Correction] = (
        ("event", lambda c: str(c.seq)),
        ("event corrected", lambda c: str(c.corrects)),
        ("what", lambda c: c.kind),
        ("sieve", lambda c: c.sieve_id),
        ("was", lambda c: fields_text(c.was)),
        ("should read", lambda c: "void" if c.void else fields_text(c.now) or "as first recorded"),
        ("reason", lambda c: c.reason),
        ("by", lambda c: c.person),
        *scope.time_columns(),
    )
    corrections = [made for sieve in sieves for made in sieve.history.corrections]
    return table("corrections", "Corrections", columns, corrections)


def _last_check(state: SieveState) -> str:
    return str(state.last_check.on_date) if state.last_check else ""


def _outcome(state: SieveState) -> str:
    return str(state.result)


def _sieve_columns(scope: Scope) -> Columns[SieveRecord]:
    return (
        ("sieve", lambda r: r.state.sieve.id),
        ("nominal", lambda r: format_length(r.state.sieve.nominal_um)),
        ("standard", lambda r: r.state.sieve.standard),
        ("grade", lambda r: r.state.sieve.grade),
        ("status", lambda r: r.state.status),
        ("last check", lambda r: _last_check(r.state)),
        ("outcome", lambda r: _outcome(r.state)),
        ("check due", lambda r: str(r.state.due or "")),
        ("overdue", lambda r: "yes" if r.state.overdue else "no"),
        ("uses", lambda r: str(r.state.uses_total)),
        ("location", lambda r: r.state.location),
        ("maker", lambda r: r.state.sieve.maker),
        ("type", lambda r: r.state.details.type),
        ("serial", lambda r: r.state.sieve.serial),
        ("frame", lambda r: _length(r.state.sieve.frame_nm)),
        ("height", lambda r: r.state.details.height),
        ("cloth", lambda r: r.state.details.cloth),
        ("certificate", lambda r: r.state.details.certificate),
        ("warp", lambda r: r.state.details.warp),
        ("in service", lambda r: str(r.state.sieve.in_service or "")),
        ("interval", lambda r: _interval(r.state)),
        ("signed off by", lambda r: r.state.signed.person if r.state.signed else ""),
        (RECORDED_LATER, lambda r: _sieve_recorded_later(scope, r)),
    )


def _length(nanometres: int | None) -> str:
    return "" if nanometres is None else format_length(nanometres / 1000)


def _interval(state: SieveState) -> str:
    uses = f" or {state.interval_uses} uses" if state.interval_uses else ""
    return f"{state.interval_months} months{uses}"


def _sieve_recorded_later(scope: Scope, record: SieveRecord) -> str:
    state = record.state
    end = record.history.retirement if state.status == RETIRED else None
    parts = (("sieve", state.sieve), ("last check", state.last_check), ("retirement", end))
    days = ((name, scope.recorded_later(part.recorded_at)) for name, part in parts if part)
    return "; ".join(f"{name} {day}" for name, day in days if day)


_DUE_COLUMNS: Columns[SieveState] = (
    ("sieve", lambda s: s.sieve.id),
    ("nominal", lambda s: format_length(s.sieve.nominal_um)),
    ("last check", _last_check),
    ("outcome", _outcome),
    ("check due", lambda s: str(s.due or "")),
    ("location", lambda s: s.location),
)
_OPEN_COLUMNS: Columns[SieveState] = (
    ("sieve", lambda s: s.sieve.id),
    ("check", lambda s: s.last_check.id if s.last_check else ""),
    ("date", _last_check),
    ("outcome", _outcome),
    ("location", lambda s: s.location),
)


def _entry_columns(scope: Scope, text: str = "reason") -> Columns[_Entry]:
    return (
        ("sieve", lambda e: e[0]),
        ("date", lambda e: str(e[2].on_date)),
        (text, lambda e: e[1]),
        ("by", lambda e: e[2].person),
        ("recorded at", lambda e: e[2].recorded_at),
        (RECORDED_LATER, lambda e: scope.recorded_later(e[2].recorded_at)),
    )


def _quarantines(sieves: Sequence[SieveRecord]) -> Iterator[_Entry]:
    for sieve in sieves:
        act = sieve.state.quarantine
        if sieve.state.status == QUARANTINED and act is not None:
            damage = "damage: " if act.payload.damage else ""
            yield sieve.state.sieve.id, f"{damage}{act.payload.reason}", act


def _retirements(sieves: Sequence[SieveRecord]) -> Iterator[_Entry]:
    for sieve in sieves:
        end = sieve.history.retirement
        if sieve.state.status == RETIRED and end is not None:
            yield sieve.state.sieve.id, end.reason, end


def _changes(history: SieveHistory) -> Iterator[_Entry]:
    """Edits, events of the sieve's life and its end."""
    sieve_id = history.sieve.id
    for edit in history.edits:
        values = (
            ("interval in months", edit.interval_months),
            ("interval in uses", edit.interval_uses),
            ("location", edit.location),
            *edit.details,
        )
        text = ", ".join(f"{name} {value}" for name, value in values if value is not None)
        yield sieve_id, text, edit
    for act in history.acts:
        if isinstance(act.payload, CertificateRecorded):
            yield sieve_id, f"{act.kind}: {summary_of(act.payload)}", act
            continue
        details = (
            getattr(act.payload, name, None) for name in ("check", "method", "reason", "note")
        )
        text = ", ".join(str(detail) for detail in details if detail)
        yield sieve_id, f"{act.kind}: {text}" if text else act.kind, act
    if history.retirement is not None:
        yield sieve_id, f"retired: {history.retirement.reason}", history.retirement


def uses_table(scope: Scope) -> AuditTable:
    """Uses up to the day of the audit."""
    columns: Columns[Any] = (
        ("sieve", lambda r: r.sieve_id),
        ("date", lambda r: r.on_date),
        ("uses", lambda r: str(r._mapping["count"])),
        ("method", lambda r: _detail(r, "method")),
        ("material", lambda r: _detail(r, "material")),
        ("note", lambda r: r.note),
        ("by", lambda r: r.person),
        *scope.time_columns(),
    )
    rows = listing.use_rows(scope.connection, scope.as_of, scope.until)
    return table("uses", "Uses", columns, rows)


def _detail(row: Any, name: str) -> str:
    return "" if row.details == "{}" else str(json.loads(row.details).get(name, ""))


_LOOKBACK_COLUMNS: Columns[tuple[Lookback, str]] = (
    ("sieve", lambda d: d[0].sieve_id),
    ("because", lambda d: d[0].cause.reason if d[0].cause else ""),
    ("good until", lambda d: str(d[0].good.on_date) if d[0].good else "never"),
    ("uses before", lambda d: str(sum(use.count for use in d[0].between))),
    ("uses after", lambda d: str(sum(use.count for use in d[0].after))),
    ("decided", lambda d: d[1]),
)


def lookbacks_table(scope: Scope, sieves: Sequence[SieveRecord]) -> AuditTable:
    """Every cause that puts uses in question, and how many of their results are still open."""
    return table("lookbacks", "Look-backs", _LOOKBACK_COLUMNS, _lookbacks(scope, sieves))


def _lookbacks(scope: Scope, sieves: Sequence[SieveRecord]) -> Iterator[tuple[Lookback, str]]:
    """Each look-back with the state of its results."""
    marks = listing.check_marks(scope.connection, scope.as_of, scope.until)
    uses: dict[str, list[Use]] = {}
    for row in listing.use_rows(scope.connection, scope.as_of, scope.until):
        count, on_date = row._mapping["count"], date.fromisoformat(row.on_date)
        use = Use(row.sieve_id, on_date, count, row.note, row.seq, row.recorded_at, row.person)
        uses.setdefault(row.sieve_id, []).append(use)
    for sieve in sieves:
        sieve_id = sieve.state.sieve.id
        if sieve_id not in uses:
            continue
        # A look-back rests on a check's day, order and outcome alone, which a mark has.
        checks = tuple(cast("list[Check]", marks.get(sieve_id, [])))
        history = replace(sieve.history, checks=checks, uses=tuple(uses[sieve_id]))
        for review in lookbacks_of(history, scope.as_of):
            if review.uses:
                yield review, _state_of(review)


def _state_of(review: Lookback) -> str:
    """How far the results of a look-back are decided."""
    entries, open_ = len(review.entries), len(review.undecided)
    if open_:
        return f"open, {open_} of {entries} results"
    last = max(review.decided.values(), key=moment)
    return f"{last.on_date} by {last.person}"
