"""What each sieve of the demo shows and what comes next, in sentences made from its records."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from sieve_inspect.units import format_length
from sieve_inspect.verdict.words import decimals_for
from sieve_registry.demo.run import DemoResult
from sieve_registry.demo.story import CAPTIONS
from sieve_registry.records import Check, CheckDetail, SieveHistory, SieveState

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
    base = f"sieveward --registry {shlex.quote(str(result.registry))}"
    return Told(
        sieve_id=sieve_id,
        nominal=format_length(state.sieve.nominal_um),
        drawn=CAPTIONS[sieve_id],
        found=_found(detail) + _trend(history, detail),
        next_step=step,
        command=f"{base} {command}" if command else "",
        report=result.reports[sieve_id],
    )


def _found(detail: CheckDetail) -> str:
    check = detail.check
    said = f"{check.id} on {check.on_date}: {check.outcome}. "
    if check.outcome != "pass":
        return said + " ".join(reason[:1].upper() + reason[1:] for reason in check.reasons)
    means = [row for row in detail.margins if row.name == "mean"]
    parts = []
    for row in means:
        decimals = decimals_for(float(row.expanded_um or 0))
        value, expanded = (f"{number:.{decimals}f}" for number in (row.value_um, row.expanded_um))
        parts.append(f"{row.direction} {value} ± {expanded}")
    low, high = means[0].limit_low_um, means[0].limit_high_um
    return f"{said}Means in um: {', '.join(parts)}; allowed {low} to {high}."


def _trend(history: SieveHistory, detail: CheckDetail) -> str:
    """How far a mean has moved since the first check, where that is more than both could err."""
    first, last = history.checks[0], detail.check
    moves = []
    for name, one, other in (("x", first.x, last.x), ("y", first.y, last.y)):
        if one.u_mean_um is None or other.u_mean_um is None:
            continue
        expanded = 2 * (one.u_mean_um**2 + other.u_mean_um**2).sqrt()
        if abs(other.mean_um - one.mean_um) > expanded:
            moves.append(f"{name} {_signed(other.mean_um - one.mean_um, expanded)}")
    if not moves:
        return ""
    return f" Since the first check the mean moved by {', '.join(moves)} um."


def _signed(value: Decimal, expanded: Decimal) -> str:
    return f"{value:+.{decimals_for(float(expanded))}f}"


def _next(state: SieveState, history: SieveHistory, check: Check) -> tuple[str, str]:
    """What to do, and the command for it."""
    end = history.retirement
    if end is not None:
        return f"nothing: {end.person} retired it on {end.on_date} ({end.reason}).", ""
    if check.outcome in ("fail", "conditional fail"):
        return check.action_reason, f"retire {state.sieve.id} --reason '…'"
    again = f"check {state.sieve.id} SCAN --scale FILE"
    if state.overdue:
        assert state.due is not None
        late = (state.as_of - state.due).days
        return f"check it now: that was due on {state.due}, {late} days ago.", again
    if check.action != "keep":
        return check.action_reason, again
    return f"{check.action_reason} Check due on {state.due}.", ""
