"""What to do with a sieve whose last check is known and whose wear is foreseen; a proposal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_registry.events import ClothReplaced
from sieve_registry.outlook.wear import Wear
from sieve_registry.records import Check, Fact

__all__ = ["KEEP", "SHORTER", "Advice", "advise"]

KEEP, SHORTER = "keep", "keep with a shorter interval"


@dataclass(frozen=True)
class Advice:
    """A proposed action and the sentence that explains it; a person decides."""

    action: str
    reason: str


def advise(
    last: Check | None, wear: Wear, due: date | None, new_cloth: Fact[ClothReplaced] | None = None
) -> Advice:
    """The last check's own proposal, unless the wear asks for the next check sooner.

    "keep with a shorter interval" is proposed where a sound sieve may reach a limit less its guard
    band (lower end of the 95 % interval) before the next check is due.
    """
    if last is None:
        return Advice("measure better", "Proposed: check it, it was never checked. You decide.")
    if new_cloth is not None:
        words = f"check it, its cloth of {new_cloth.on_date} never was"
        return Advice("measure better", f"Proposed: {words}. You decide.")
    told = _by_the_check(last)
    if told is not None:
        return told
    for trend in wear.reached:
        where = f"the {trend.name} in {trend.direction}"
        if wear.places and wear.at <= wear.places[-1]:  # nothing happened since that check
            words = (
                f"check it again after few uses: {last.id} passed, but by all its checks together "
                f"{where} {trend.stands}"
            )
        else:
            come = "gone beyond its limit" if trend.beyond else "come within its guard band"
            words = (
                f"check it now and shorten its interval, by its wear {where} has {come} since "
                f"{last.id}"
            )
        return Advice(SHORTER, f"Proposed: {words}. You decide.")
    sooner = [
        (trend.reach.day_low, trend.name, trend.direction)
        for trend in wear.trends
        if trend.reach and trend.reach.day_low and due and trend.reach.day_low < due
    ]
    if sooner:
        day, name, direction = min(sooner)
        return Advice(
            SHORTER,
            f"Proposed: keep it, but check it before {day}: the {name} in {direction} may reach "
            f"its limit less the guard band by then, and the next check is due only on {due}. "
            "You decide.",
        )
    if not last.action:
        words = f"keep it in use until it is checked, {last.id} passed by an earlier record read in"
    elif any(trend.slope is not None for trend in wear.trends):
        words = "keep it in use, nothing is near a limit"
    else:
        words = f"keep it in use, {last.id} met its limits; how it wears cannot be told yet"
    return Advice(KEEP, f"Proposed: {words}. You decide.")


def _by_the_check(last: Check) -> Advice | None:
    """What the check itself proposed, unless that was to keep the sieve."""
    if not last.action and last.outcome != "pass":  # read in from a table: nothing was proposed
        words = f"check it again, {last.id} says {last.outcome} and is an earlier record read in"
        return Advice("measure better", f"Proposed: {words}. You decide.")
    if last.action in (KEEP, SHORTER, ""):
        return None
    reason = last.action_reason or f"Proposed by {last.id}: {last.action}. You decide."
    return Advice(last.action, reason)
