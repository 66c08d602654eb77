"""An audit's tables of sieves: their state that day, what is due, and what was changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sieve_inspect.units import format_length
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table
from sieve_registry.records import Correction, SieveHistory, SieveState
from sieve_registry.sieves.state import IN_SERVICE, QUARANTINED, RETIRED

_FIELD_NAMES = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}


@dataclass(frozen=True)
class SieveRecord:
    """A sieve's state on the day of the audit, and its history."""

    state: SieveState
    history: SieveHistory


@dataclass(frozen=True)
class _Entry:
    """A dated remark about one sieve, as it was recorded."""

    sieve_id: str
    on_date: date
    text: str
    person: str
    recorded_at: str
    seq: int


def sieve_tables(scope: Scope, sieves: Sequence[SieveRecord]) -> list[AuditTable]:
    """All tables whose rows are sieves or entries in a sieve's history, but for corrections."""
    states = [one.state for one in sieves if one.state.status == IN_SERVICE]
    overdue = [state for state in states if state.overdue]
    unchecked = [state for state in states if state.last_check is None]
    conditional = [
        state
        for state in states
        if state.last_check and state.last_check.outcome.startswith("conditional")
    ]
    quarantined, retired = _quarantines(sieves), _retirements(sieves)
    changes = [
        entry
        for one in sieves
        for entry in sorted(_changes(one.history), key=lambda entry: entry.seq)
        if entry.on_date <= scope.as_of
    ]
    return [
        table("sieves", "Sieves", _sieve_columns(scope), sieves),
        table("overdue", "Checks overdue", _DUE_COLUMNS, overdue),
        table("never_checked", "Never checked", _DUE_COLUMNS, unchecked),
        table("conditional", "Conditional outcomes still open", _OPEN_COLUMNS, conditional),
        table("quarantines", "In quarantine", _entry_columns(scope, "reason"), quarantined),
        table("retirements", "Retirements", _entry_columns(scope, "reason"), retired),
        table("changes", "Changes", _entry_columns(scope, "change"), changes),
    ]


def corrections_table(scope: Scope, sieves: Sequence[SieveRecord]) -> AuditTable:
    """Both readings of every record corrected, also where the correction came only later."""
    columns: Columns[Correction] = (
        ("event", lambda c: str(c.seq)),
        ("event corrected", lambda c: str(c.corrects)),
        ("what", lambda c: c.kind),
        ("sieve", lambda c: c.sieve_id),
        ("was", lambda c: _fields(c.was)),
        ("should read", lambda c: "void" if c.void else _fields(c.now) or "as first recorded"),
        ("reason", lambda c: c.reason),
        ("by", lambda c: c.person),
        ("recorded at", lambda c: c.recorded_at),
        (RECORDED_LATER, lambda c: scope.recorded_later(c.recorded_at)),
    )
    corrections = [one for sieve in sieves for one in sieve.history.corrections]
    return table("corrections", "Corrections", columns, corrections)


def _fields(values: Mapping[str, object]) -> str:
    return ", ".join(f"{_FIELD_NAMES.get(name, name)} {value}" for name, value in values.items())


def _last_check(state: SieveState) -> str:
    return str(state.last_check.on_date) if state.last_check else ""


def _outcome(state: SieveState) -> str:
    return str(state.last_check.outcome) if state.last_check else "never checked"


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


def _entry_columns(scope: Scope, text: str) -> Columns[_Entry]:
    return (
        ("sieve", lambda e: e.sieve_id),
        ("date", lambda e: str(e.on_date)),
        (text, lambda e: e.text),
        ("by", lambda e: e.person),
        ("recorded at", lambda e: e.recorded_at),
        (RECORDED_LATER, lambda e: scope.recorded_later(e.recorded_at)),
    )


def _quarantines(sieves: Sequence[SieveRecord]) -> Iterator[_Entry]:
    for one in sieves:
        act = one.state.quarantine
        if one.state.status == QUARANTINED and act is not None:
            damage = "damage: " if act.payload.damage else ""
            reason = f"{damage}{act.payload.reason}"
            sieve_id = one.state.sieve.id
            yield _Entry(sieve_id, act.on_date, reason, act.person, act.recorded_at, act.seq)


def _retirements(sieves: Sequence[SieveRecord]) -> Iterator[_Entry]:
    for one in sieves:
        end = one.history.retirement
        if one.state.status == RETIRED and end is not None:
            sieve_id = one.state.sieve.id
            yield _Entry(sieve_id, end.on_date, end.reason, end.person, end.recorded_at, end.seq)


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
        yield _Entry(sieve_id, edit.on_date, text, edit.person, edit.recorded_at, edit.seq)
    for act in history.acts:
        details = (
            getattr(act.payload, name, None) for name in ("check", "method", "reason", "note")
        )
        text = ", ".join(str(detail) for detail in details if detail)
        text = f"{act.kind}: {text}" if text else act.kind
        yield _Entry(sieve_id, act.on_date, text, act.person, act.recorded_at, act.seq)
    end = history.retirement
    if end is not None:
        text = f"retired: {end.reason}"
        yield _Entry(sieve_id, end.on_date, text, end.person, end.recorded_at, end.seq)
