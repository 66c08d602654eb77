"""The result and the next step of each sieve of the demo, in sentences made from its records."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from sieve_inspect.outcomes import FAILING
from sieve_inspect.units import format_length
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.demo.run import DemoResult
from sieve_registry.demo.story import CAPTIONS
from sieve_registry.ledger.records import Check, CheckDetail, SieveHistory, SieveState
from sieve_registry.report.formatting import Lengths
from sieve_registry.values import shell_word


@dataclass(frozen=True)
class SieveSummary:
    """A sieve: how its scans were drawn, the result of its last check, and what to do next."""

    state: SieveState
    check: Check
    drawn: str
    result: str
    next_step: str
    command: str
    report: Path

    @property
    def sieve_id(self) -> str:
        """The name of the sieve."""
        return self.state.sieve.id

    @property
    def nominal(self) -> str:
        """Its nominal aperture as the standards write it."""
        return format_length(self.state.sieve.nominal_um)


def summaries(demo: DemoResult) -> list[SieveSummary]:
    """Every sieve of the demo, coarse to fine."""
    ordered = sorted(demo.states, key=lambda state: -state.sieve.nominal_nm)
    return [_summary(demo, state) for state in ordered]


def _summary(demo: DemoResult, state: SieveState) -> SieveSummary:
    sieve_id = state.sieve.id
    history, detail = demo.histories[sieve_id], demo.details[sieve_id]
    step, command = _next_step(state, history, detail.check)
    return SieveSummary(
        state=state,
        check=detail.check,
        drawn=CAPTIONS[sieve_id],
        result=_result(detail) + _trend(history, detail),
        next_step=step,
        command=command,
        report=demo.reports[sieve_id],
    )


def _result(detail: CheckDetail) -> str:
    """The outcome, with its reasons or with the means and their limits."""
    check = detail.check
    outcome = f"{check.id} on {check.on_date}: {check.outcome}. "
    if check.outcome != "pass":
        return outcome + " ".join(reason[:1].upper() + reason[1:] for reason in check.reasons)
    write = Lengths(check.nominal_nm / 1000)
    means, limits = [], ""
    for row in detail.margins:
        if row.name == "mean" and row.limit_low_um is not None and row.limit_high_um is not None:
            bounds = float(row.limit_low_um), float(row.limit_high_um)
            value, expanded = write.value(_float(row.value_um), _float(row.expanded_um), bounds)
            means.append(f"{row.direction} {value} ± {expanded}")
            limits = f"{write.exact(bounds[0])} to {write.exact(bounds[1])}"
    unit = write.unit.replace("µ", "u")
    return f"{outcome}Mean {', '.join(means)} {unit}; allowed {limits} {unit}."


def _trend(history: SieveHistory, detail: CheckDetail) -> str:
    """How far a mean has moved since the first check, where that exceeds its uncertainty."""
    first, last = history.checks[0], detail.check
    moves = []
    for name, before, now in (("x", first.x, last.x), ("y", first.y, last.y)):
        if before.u_mean_um is None or now.u_mean_um is None:
            continue
        moved = now.mean_um - before.mean_um
        expanded = 2 * (before.u_mean_um**2 + now.u_mean_um**2).sqrt()
        if abs(moved) > expanded:
            moves.append(f"{name} {moved:+.{decimals_for(float(expanded))}f} um")
    if not moves:
        return ""
    return f" Since the first check the mean moved: {', '.join(moves)}."


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _next_step(state: SieveState, history: SieveHistory, check: Check) -> tuple[str, str]:
    """What to do, and the command for it."""
    end = history.retirement
    if end is not None:
        return f"Nothing: retired on {end.on_date} by {end.person}. {end.reason}.", ""
    if check.outcome in FAILING:
        return check.action_reason, f"sieveward retire {shell_word(state.sieve.id)} --reason …"
    again = f"sieveward check {shell_word(state.sieve.id)} SCAN… --scale FILE"
    if state.overdue:
        assert state.due is not None
        late = (state.as_of - state.due).days
        return f"Check it now: it was due on {state.due}, {late} days ago.", again
    if check.action != "keep":
        return check.action_reason, again
    return f"{check.action_reason} Next check by {state.due}.", ""
