"""What to do with a sieve, from its last check and its forecast wear; a person decides."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_registry.events import ClothReplaced
from sieve_registry.outlook.wear import Trend, Wear
from sieve_registry.records import Check, Fact

KEEP, SHORTER, MEASURE_BETTER = "keep", "keep with a shorter interval", "measure better"


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
        return _proposed(MEASURE_BETTER, "check it, it was never checked")
    if new_cloth is not None:
        text = f"check it, its cloth of {new_cloth.on_date} was never checked"
        return _proposed(MEASURE_BETTER, text)
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
        return _proposed(MEASURE_BETTER, text)
    if last.action in (KEEP, SHORTER, ""):
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
    return _proposed(SHORTER, text)


def _before_due(wear: Wear, due: date | None) -> Advice | None:
    """Keep it, but check it before the first day on which it may reach a limit."""
    soon: list[tuple[date, Trend]] = [
        (trend.reach.day_low, trend)
        for trend in wear.trends
        if trend.reach and trend.reach.day_low and due and trend.reach.day_low < due
    ]
    if not soon:
        return None
    day, trend = min(soon, key=lambda pair: (pair[0], pair[1].name, pair[1].direction))
    return _proposed(
        SHORTER,
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
    return _proposed(KEEP, text)
