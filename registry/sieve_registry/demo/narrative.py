"""What each sieve of the demo shows and what comes next, in sentences made from its records."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from sieve_inspect.units import format_length
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.demo.run import DemoResult
from sieve_registry.demo.story import CAPTIONS
from sieve_registry.records import Check, CheckDetail, SieveHistory, SieveState
from sieve_registry.report.formatting import Lengths

__all__ = ["Told", "tell_all"]


@dataclass(frozen=True)
class Told:
    """One sieve: how its scans were drawn, what its last check found, what to do next."""

    sieve_id: str
    nominal: str
    drawn: str
    found: str
    next_step: str
    command: str
    report: Path


def tell_all(result: DemoResult) -> list[Told]:
    """Every sieve of the demo, coarse to fine."""
    ordered = sorted(result.states, key=lambda state: -state.sieve.nominal_nm)
    return [_tell(result, state) for state in ordered]


def _tell(result: DemoResult, state: SieveState) -> Told:
    sieve_id = state.sieve.id
    history, detail = result.histories[sieve_id], result.details[sieve_id]
    step, command = _next(state, history, detail.check)
    return Told(
        sieve_id=sieve_id,
        nominal=format_length(state.sieve.nominal_um),
        drawn=CAPTIONS[sieve_id],
        found=_found(detail) + _trend(history, detail),
        next_step=step,
        command=command,
        report=result.reports[sieve_id],
    )


def _found(detail: CheckDetail) -> str:
    check = detail.check
    said = f"{check.id} on {check.on_date}: {check.outcome}. "
    if check.outcome != "pass":
        return said + " ".join(reason[:1].upper() + reason[1:] for reason in check.reasons)
    write = Lengths(check.nominal_nm / 1000)
    parts, limits = [], ""
    for row in detail.margins:
        if row.name == "mean" and row.limit_low_um is not None and row.limit_high_um is not None:
            bounds = float(row.limit_low_um), float(row.limit_high_um)
            value, expanded = write.value(_number(row.value_um), _number(row.expanded_um), bounds)
            parts.append(f"{row.direction} {value} ± {expanded}")
            limits = f"{write.exact(bounds[0])} to {write.exact(bounds[1])}"
    unit = write.unit.replace("µ", "u")
    return f"{said}Mean {', '.join(parts)} {unit}; allowed {limits} {unit}."


def _trend(history: SieveHistory, detail: CheckDetail) -> str:
    """How far a mean has moved since the first check, where that is more than both could err."""
    first, last = history.checks[0], detail.check
    moves = []
    for name, one, other in (("x", first.x, last.x), ("y", first.y, last.y)):
        if one.u_mean_um is None or other.u_mean_um is None:
            continue
        moved = other.mean_um - one.mean_um
        expanded = 2 * (one.u_mean_um**2 + other.u_mean_um**2).sqrt()
        if abs(moved) > expanded:
            moves.append(f"{name} {moved:+.{decimals_for(float(expanded))}f} um")
    if not moves:
        return ""
    return f" Since the first check the mean moved: {', '.join(moves)}."


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _next(state: SieveState, history: SieveHistory, check: Check) -> tuple[str, str]:
    """What to do, and the command for it."""
    end = history.retirement
    if end is not None:
        return f"Nothing: retired on {end.on_date} by {end.person}. {end.reason}.", ""
    if check.outcome in ("fail", "conditional fail"):
        return check.action_reason, f"sieveward retire {state.sieve.id} --reason …"
    again = f"sieveward check {state.sieve.id} SCAN… --scale FILE"
    if state.overdue:
        assert state.due is not None
        late = (state.as_of - state.due).days
        return f"Check it now: that was due on {state.due}, {late} days ago.", again
    if check.action != "keep":
        return check.action_reason, again
    return f"{check.action_reason} Next check by {state.due}.", ""
