"""What to do with a sieve, and how long it may go unchecked; a person decides.

Intervals are by months and by uses, whichever comes first. Two rules propose an interval, each with
its reasons; ILAC-G24/OIML D 10:2022 names both and leaves their numbers to the laboratory. The
numbers here are common practice, no source:

    staircase   a fail halves the interval; a conditional outcome, or a value that uses more than
                80 % of its limit (guard band included), shortens it by a fifth; two clear passes
                in a row add a quarter; otherwise it stays
    wear        four fifths of the way to where the first trend may reach its acceptance limit
                (lower end of its 95 % interval), at most one and a half times the interval now
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sieve_inspect.outcomes import Action, Outcome
from sieve_inspect.verdict.rules import Rule
from sieve_registry.ledger.events import CheckRecorded, ClothReplaced
from sieve_registry.ledger.figures import Margin
from sieve_registry.ledger.records import Check, Fact, SieveHistory, SieveState
from sieve_registry.outlook.cloth_history import DAYS_PER_YEAR, in_order, uses_before
from sieve_registry.outlook.wear import Wear

_NEAR_LIMIT = 0.8  # share of a limit, guard band included
_WEAR_SHARE = 0.8  # of the way to where the first trend may reach its acceptance limit
_LONGEST_STEP = 1.5
_DAYS_PER_MONTH = 30.44
_MONTHS = (1, 24)
_USES = (5, 100_000)


@dataclass(frozen=True)
class Advice:
    """A proposed action and the sentence that explains it; a person decides."""

    action: str
    reason: str


def advise(
    last: Check | None, wear: Wear, due: date | None, new_cloth: Fact[ClothReplaced] | None = None
) -> Advice:
    """The last check's own proposal, unless the wear calls for an earlier check.

    "keep with a shorter interval" is proposed where a sound sieve may reach an acceptance limit
    (lower end of the 95 % interval) before the next check is due.
    """
    if last is None:
        return _proposed(Action.MEASURE_BETTER, "check it, it was never checked")
    if new_cloth is not None:
        text = f"check it, its cloth of {new_cloth.on_date} was never checked"
        return _proposed(Action.MEASURE_BETTER, text)
    return (
        _from_check(last)
        or _from_trends_at_limit(last, wear)
        or _before_due(wear, due)
        or _keep(last, wear)
    )


def _proposed(action: str, text: str) -> Advice:
    return Advice(action, f"Proposed: {text}. You decide.")


def _from_check(last: Check) -> Advice | None:
    """What the check itself proposed, unless that was to keep the sieve."""
    if not last.action and last.outcome != "pass":  # imported from a table, without a proposal
        text = f"check it again, imported record {last.id} has the outcome '{last.outcome}'"
        return _proposed(Action.MEASURE_BETTER, text)
    if last.action in (Action.KEEP, Action.KEEP_SHORTER, ""):
        return None
    reason = last.action_reason or f"Proposed by {last.id}: {last.action}. You decide."
    return Advice(last.action, reason)


def _from_trends_at_limit(last: Check, wear: Wear) -> Advice | None:
    if not wear.reached:
        return None
    trend = wear.reached[0]
    name = f"the {trend.name} in {trend.direction}"
    if wear.places and wear.at <= wear.places[-1]:  # no use since that check
        text = (
            f"check it again after few uses: {last.id} passed, but by the trend of all checks "
            f"{name} is {trend.position}"
        )
    else:
        text = (
            f"check it now and shorten its interval: by the trend {name} is {trend.position} "
            f"since {last.id}"
        )
    return _proposed(Action.KEEP_SHORTER, text)


def _before_due(wear: Wear, due: date | None) -> Advice | None:
    """Keep it, but check it before the first day on which it may reach a limit."""
    soon = [
        (trend.reach.day_low, trend)
        for trend in wear.trends
        if trend.reach and trend.reach.day_low and due and trend.reach.day_low < due
    ]
    if not soon:
        return None
    day, trend = min(soon, key=lambda pair: (pair[0], pair[1].name, pair[1].direction))
    return _proposed(
        Action.KEEP_SHORTER,
        f"keep it, but check it before {day}: the {trend.name} in {trend.direction} may reach its "
        f"acceptance limit by then, and the next check is due only on {due}",
    )


def _keep(last: Check, wear: Wear) -> Advice:
    if not last.action:
        text = f"keep it in use until it is checked, the imported record {last.id} passed"
    elif any(trend.slope is not None for trend in wear.trends):
        text = "keep it in use, no value is near a limit"
    else:
        text = f"keep it in use, {last.id} met its limits; there are too few checks for a trend"
    return _proposed(Action.KEEP, text)


@dataclass(frozen=True)
class Proposal:
    """An interval proposed: months and uses (None: no limit by uses), and the reasons.

    `enough` is false where there is nothing to propose from; the interval stays.
    """

    method: str
    months: int
    uses: int | None
    reasons: tuple[str, ...]
    enough: bool = True


def staircase(
    state: SieveState,
    history: SieveHistory,
    payloads: Mapping[str, CheckRecorded],
    rule: Rule,
) -> Proposal:
    """One step of the staircase from a sieve's last checks; `payloads` are their events'."""
    checks = in_order(history, state.as_of)
    if not checks or state.new_cloth is not None:
        what = "its new cloth" if checks else "it"
        return _stays("staircase", state, f"{what} was never checked", enough=False)
    last = checks[-1]
    if last.outcome == Outcome.FAIL:
        factor, reason = 0.5, f"{last.id} failed: halve the interval"
    elif last.outcome != Outcome.PASS:
        factor, reason = 0.8, f"{last.id} has the outcome {last.outcome}: shorten by a fifth"
    else:
        factor, reason = _after_a_pass(checks, payloads, rule)
    if factor == 1:
        return _stays("staircase", state, reason)
    return _scaled(state, factor, reason)


def _after_a_pass(
    checks: Sequence[Check], payloads: Mapping[str, CheckRecorded], rule: Rule
) -> tuple[float, str]:
    """The step after a pass, by how near its values came to their limits."""
    last = checks[-1]
    share, name = share_used(payloads[last.id], rule)
    if math.isinf(share):
        return 1, f"{last.id} has no margins on record: the interval stays"
    if share > _NEAR_LIMIT:
        used = f"{100 * share:.0f} % of its limit"
        return 0.8, f"in {last.id} the {name} uses {used}: shorten by a fifth"
    if len(checks) == 1 or checks[-2].outcome != Outcome.PASS:
        return 1, "only one clear pass in a row: the interval stays"
    before = checks[-2]
    share_before, _ = share_used(payloads[before.id], rule)
    if math.isinf(share_before):
        return 1, f"{before.id} has no margins on record: the interval stays"
    if share_before > _NEAR_LIMIT:
        return 1, f"{before.id} was near a limit: the interval stays"
    used = f"at most {100 * max(share, share_before):.0f} % of a limit used"
    return 1.25, f"{before.id} and {last.id} passed with {used}: add a quarter"


def wear_interval(state: SieveState, history: SieveHistory, wear: Wear) -> Proposal:
    """The interval that ends before the first trend may reach its acceptance limit."""
    last = state.last_check
    if last is None:
        return _stays("wear", state, "it was never checked", enough=False)
    if wear.reached:
        trend = wear.reached[0]
        reason = f"by the trend the {trend.name} in {trend.direction} is {trend.position}"
        return Proposal("wear", _MONTHS[0], _USES[0], (f"{reason}: the shortest interval",))
    if all(trend.slope is None for trend in wear.trends):
        problem = next((t.problem for t in wear.trends if t.problem), "no uncertainties")
        return _stays("wear", state, problem, enough=False)
    reaching = [(t.reach.low, t.reach, t) for t in wear.trends if t.reach is not None]
    if not reaching:
        return _stays("wear", state, "no value changes significantly: the interval stays")
    low, reach, first = min(reaching, key=lambda entry: entry[0])
    start = uses_before(history, last.on_date, last.seq)
    value = f"the {first.name} in {first.direction}"
    reason = f"{value} may reach its acceptance limit, {reach.limit_um:.2f} um,"
    months, uses, reasons = state.interval_months, state.interval_uses, []
    if wear.by_uses:
        left = _WEAR_SHARE * (low - start)
        uses = _round_uses(min(left, _LONGEST_STEP * uses if uses else left))
        reasons.append(f"{reason} after {low:.0f} uses in all: check by {start + uses}")
    if reach.day_low is not None:
        days = _WEAR_SHARE * (reach.day_low - last.on_date).days
        longest = math.floor(_LONGEST_STEP * months)
        months = _bounded(min(math.floor(days / _DAYS_PER_MONTH), longest), _MONTHS)
        reasons.append(f"{reason} as early as {reach.day_low}: {months} months at most")
    return Proposal("wear", months, uses, tuple(reasons))


def expected_due(state: SieveState, rate_per_year: float | None) -> tuple[date | None, str]:
    """The day a check is due, with uses expected at the recent rate, and what decides it."""
    if state.due is None or state.interval_uses is None or not rate_per_year or state.overdue:
        return state.due, state.due_because
    left = max(state.interval_uses - state.uses_since_check, 0)
    days = math.floor(left / rate_per_year * DAYS_PER_YEAR)
    try:
        by_uses = state.as_of + timedelta(days=days)
    except OverflowError:
        return state.due, state.due_because
    if by_uses >= state.due:
        return state.due, state.due_because
    return by_uses, f"{state.interval_uses} uses expected by then"


def share_used(payload: CheckRecorded, rule: Rule) -> tuple[float, str]:
    """The largest share of a limit that a check's values use, guard band included, and the value.

    Infinite where it is not recorded, as for an imported check.
    """
    shares = [_share(margin, payload.nominal_nm / 1000, rule) for margin in payload.margins]
    return max(shares, default=(math.inf, "check"))


def _share(margin: Margin, nominal_um: float, rule: Rule) -> tuple[float, str]:
    name = f"{margin.name} in {margin.direction}"
    if margin.value_um is None or margin.expanded_um is None or margin.limit_high_um is None:
        return math.inf, name
    value, band = float(margin.value_um), rule.factor * float(margin.expanded_um)
    high = float(margin.limit_high_um)
    if margin.name == "standard deviation":
        return (value + band) / high, name
    if margin.limit_low_um is None:
        return (value - nominal_um + band) / (high - nominal_um), name
    low = float(margin.limit_low_um)
    return (abs(value - (low + high) / 2) + band) / ((high - low) / 2), name


def _scaled(state: SieveState, factor: float, reason: str) -> Proposal:
    # Rounded down: an interval is never longer than the step.
    months = _bounded(math.floor(state.interval_months * factor + 1e-9), _MONTHS)
    uses = None if state.interval_uses is None else _round_uses(state.interval_uses * factor)
    unchanged = (months, uses) == (state.interval_months, state.interval_uses)
    end = (f"{months} months is the end of this staircase",) if unchanged else ()
    return Proposal("staircase", months, uses, (reason, *end))


def _stays(method: str, state: SieveState, reason: str, *, enough: bool = True) -> Proposal:
    return Proposal(method, state.interval_months, state.interval_uses, (reason,), enough)


def _round_uses(uses: float) -> int:
    step = 10 if uses >= 100 else 5
    return _bounded(math.floor(uses / step) * step, _USES)


def _bounded(value: int, span: tuple[int, int]) -> int:
    return min(max(value, span[0]), span[1])
