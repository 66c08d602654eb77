"""Records as JSON dictionaries and as the words people read."""

from __future__ import annotations

import json
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from sieve_inspect.units import format_length
from sieve_registry.cli.support.output import print_text
from sieve_registry.records import (
    Check,
    CheckDetail,
    Correction,
    DirectionFigures,
    Fact,
    Margin,
    Retirement,
    Sieve,
    SieveHistory,
    SieveState,
    Use,
    UseDetails,
)

__all__ = [
    "check_dict",
    "correction_dict",
    "correction_words",
    "detail_dict",
    "due_dict",
    "due_words",
    "length_text",
    "margin_cells",
    "number",
    "print_corrections",
    "sieve_dict",
    "state_dict",
]


def length_text(nanometres: int | None) -> str:
    """A length in the standards' spelling, or nothing."""
    return "" if nanometres is None else format_length(nanometres / 1000)


def number(value: Decimal | None, places: int = 2) -> str:
    """A figure in um with so many decimals, or a dash."""
    return "-" if value is None else f"{value:.{places}f}"


def due_words(state: SieveState) -> str:
    """The due day in words of one cell."""
    if state.due is None:
        return "-"
    return f"{state.due} overdue" if state.overdue else str(state.due)


def due_dict(state: SieveState) -> dict[str, Any]:
    """One entry of `due --json`."""
    last = state.last_check
    return {
        "id": state.sieve.id,
        "status": state.status,
        "last_check": None if last is None else last.on_date.isoformat(),
        "last_check_id": None if last is None else last.id,
        "outcome": None if last is None else last.outcome,
        "due": None if state.due is None else state.due.isoformat(),
        "overdue": state.overdue,
        "due_because": state.due_because,
        "uses_since_check": state.uses_since_check,
        "location": state.location,
        "signed_by": None if state.signed is None else state.signed.person,
        "remarks": [remark.message for remark in state.remarks],
    }


def sieve_dict(sieve: Sieve) -> dict[str, Any]:
    """What a sieve is, as it was added."""
    return {
        "nominal_um": sieve.nominal_um,
        "standard": sieve.standard,
        "grade": sieve.grade,
        "serial": sieve.serial,
        "frame_um": None if sieve.frame_nm is None else sieve.frame_nm / 1000,
        "maker": sieve.maker,
        "in_service": None if sieve.in_service is None else sieve.in_service.isoformat(),
        "added_on": sieve.added_on.isoformat(),
    }


def state_dict(state: SieveState, history: SieveHistory) -> dict[str, Any]:
    """`sieve show --json`: the state, and what it rests on up to that day."""
    day = state.as_of
    return {
        **due_dict(state),
        "as_of": day.isoformat(),
        **sieve_dict(state.sieve),
        "interval_months": state.interval_months,
        "interval_uses": state.interval_uses,
        "uses_total": state.uses_total,
        "checks": [check_dict(check) for check in history.checks if check.on_date <= day],
        "uses": [_use_dict(use) for use in history.uses if use.on_date <= day],
        "retirement": _retirement_dict(history.retirement) if state.status == "retired" else None,
        "details": dict(state.details.__dict__),
        "acts": [_act_dict(act) for act in history.acts if act.on_date <= day],
        "corrections": [correction_dict(one) for one in history.corrections],
    }


def _act_dict(act: Fact) -> dict[str, Any]:
    return {
        "event": act.seq,
        "act": act.kind,
        "date": act.on_date.isoformat(),
        "by": act.person,
        "recorded_at": act.recorded_at,
        **act.payload,
    }


def correction_dict(made: Correction) -> dict[str, Any]:
    """A correction: which event it corrects, what that said, and how it should read."""
    return {
        "event": made.seq,
        "corrects": made.corrects,
        "kind": made.kind,
        "sieve": made.sieve_id,
        "void": made.void,
        "was": dict(made.was),
        "now": dict(made.now),
        "reason": made.reason,
        "date": made.on_date.isoformat(),
        "by": made.person,
        "recorded_at": made.recorded_at,
    }


def correction_words(made: Correction) -> str:
    """A correction in one line: both readings and the reason."""
    names = {"on_date": "date", "frame_nm": "frame in nm", "in_service": "in service"}
    changes = [
        f"{names.get(name, name)} {made.was.get(name)!s} should read {value!s}"
        for name, value in made.now.items()
    ]
    what = "is void" if made.void else ", ".join(changes) or "stands again"
    return f"{made.kind} (event {made.corrects}) {what}: {made.reason}"


def print_corrections(made: Sequence[Correction]) -> None:
    """Later corrections of records, one paragraph each."""
    for correction in made:
        person, day = correction.person, correction.on_date
        words = correction_words(correction)
        print_text(f"Corrected: {words} ({person}, {day}, event {correction.seq}).")


def check_dict(check: Check) -> dict[str, Any]:
    """A check without its evidence; figures as numbers in um."""
    return {
        "id": check.id,
        "event": check.seq,
        "sieve": check.sieve_id,
        "date": check.on_date.isoformat(),
        "nominal_um": check.nominal_nm / 1000,
        "standard": check.standard,
        "grade": check.grade,
        "rule": check.rule,
        "outcome": check.outcome,
        "reasons": list(check.reasons),
        "action": check.action,
        "action_reason": check.action_reason,
        "fit": check.fit,
        "directions": {"x": _figures_dict(check.x), "y": _figures_dict(check.y)},
        "by": check.person,
        "recorded_at": check.recorded_at,
        "software": check.software,
    }


def detail_dict(detail: CheckDetail) -> dict[str, Any]:
    """`check --json`: the check, its margins, its evidence and its place in the ledger."""
    payload = json.loads(detail.event.payload)
    return {
        **check_dict(detail.check),
        "margins": [
            {
                "name": m.name,
                "direction": m.direction,
                "value_um": _float(m.value_um),
                "U_um": _float(m.expanded_um),
                "limit_low_um": _float(m.limit_low_um),
                "limit_high_um": _float(m.limit_high_um),
                "outcome": m.outcome,
            }
            for m in detail.margins
        ],
        "evidence": [dict(file.__dict__) for file in detail.evidence],
        "images": payload["images"],
        "trace": payload.get("trace"),
        "warnings": payload.get("warnings", []),
        "event": {"seq": detail.event.seq, "hash": detail.event.hash},
    }


def margin_cells(margin: Margin) -> list[str]:
    """One row of the table of values against limits."""
    return [
        margin.name,
        margin.direction,
        number(margin.value_um),
        number(margin.expanded_um),
        number(margin.limit_low_um),
        number(margin.limit_high_um),
        margin.outcome,
    ]


def _figures_dict(figures: DirectionFigures) -> dict[str, Any]:
    return {
        name: _float(value) if isinstance(value, Decimal) else value
        for name, value in figures.__dict__.items()
    }


def _use_dict(use: Use) -> dict[str, Any]:
    return {
        "event": use.seq,
        "date": use.on_date.isoformat(),
        "count": use.count,
        "note": use.note,
        **_known(use.details),
        "by": use.person,
        "recorded_at": use.recorded_at,
    }


def _known(details: UseDetails) -> dict[str, Any]:
    """How a sieve was used, as far as it is known; figures as numbers."""
    return {
        name: _float(value) if isinstance(value, Decimal) else value
        for name, value in details.__dict__.items()
        if value not in (None, "")
    }


def _retirement_dict(end: Retirement | None) -> dict[str, Any] | None:
    if end is None:
        return None
    return {
        "event": end.seq,
        "date": end.on_date.isoformat(),
        "reason": end.reason,
        "by": end.person,
        "recorded_at": end.recorded_at,
    }


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
