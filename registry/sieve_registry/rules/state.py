"""What is true of a sieve at the end of a day: only what concerns that day or earlier counts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from sieve_registry.records import Check, Finding, Sieve, SieveHistory, SieveState, Use
from sieve_registry.rules.dates import add_months

__all__ = ["IN_SERVICE", "RETIRED", "due_list", "known_from", "state_as_of"]

IN_SERVICE = "in service"
RETIRED = "retired"


def known_from(history: SieveHistory) -> date:
    """The first day the registry can say anything of the sieve.

    With an in-service date that is the day; without one, the day it was added or the earliest
    day anything was recorded for, since older papers may be entered later.
    """
    sieve = history.sieve
    if sieve.in_service is not None:
        return sieve.in_service
    days = [
        sieve.added_on,
        *(c.on_date for c in history.checks),
        *(u.on_date for u in history.uses),
    ]
    if history.retirement is not None:
        days.append(history.retirement.on_date)
    return min(days)


def state_as_of(history: SieveHistory, day: date) -> SieveState | None:
    """The sieve's state at the end of `day`, or None when it was not yet there."""
    if day < known_from(history):
        return None
    sieve = history.sieve
    months, by_uses, location = _settings(history, day)
    checks = [check for check in history.checks if check.on_date <= day]
    last = max(checks, key=lambda check: (check.on_date, check.seq), default=None)
    uses = [use for use in history.uses if use.on_date <= day]
    since = [use for use in uses if last is None or _after(use, last)]
    retired = history.retirement is not None and history.retirement.on_date <= day
    due, because = (None, "") if retired else _due(sieve, last, since, months, by_uses)
    return SieveState(
        sieve=sieve,
        as_of=day,
        status=RETIRED if retired else IN_SERVICE,
        location=location,
        interval_months=months,
        interval_uses=by_uses,
        last_check=last,
        uses_total=sum(use.count for use in uses),
        uses_since_check=sum(use.count for use in since),
        due=due,
        overdue=due is not None and day > due,
        due_because=because,
        remarks=() if retired else tuple(_remarks(sieve, last)),
    )


def due_list(states: Iterable[SieveState]) -> list[SieveState]:
    """The sieves a check is due for: overdue first, then the soonest; retired ones left out."""
    waiting = [state for state in states if state.due is not None]
    return sorted(waiting, key=lambda s: (not s.overdue, s.due or date.max, s.sieve.id))


def _settings(history: SieveHistory, day: date) -> tuple[int, int | None, str]:
    """Intervals and location as edited up to `day`."""
    sieve = history.sieve
    months, by_uses, location = sieve.interval_months, sieve.interval_uses, sieve.location
    for edit in sorted(history.edits, key=lambda e: (e.on_date, e.seq)):
        if edit.on_date > day:
            break
        months = months if edit.interval_months is None else edit.interval_months
        by_uses = by_uses if edit.interval_uses is None else edit.interval_uses or None
        location = location if edit.location is None else edit.location
    return months, by_uses, location


def _after(use: Use, check: Check) -> bool:
    """Whether a use came after a check; on one and the same day the order of recording tells."""
    return (use.on_date, use.seq) > (check.on_date, check.seq)


def _due(
    sieve: Sieve, last: Check | None, since: list[Use], months: int, by_uses: int | None
) -> tuple[date, str]:
    """The last day the sieve may still be used unchecked, and why that day."""
    if last is None:
        return sieve.in_service or sieve.added_on, "never checked"
    by_calendar = add_months(last.on_date, months)
    if by_uses is not None:
        total = 0
        for use in sorted(since, key=lambda u: (u.on_date, u.seq)):
            total += use.count
            if total >= by_uses:
                if use.on_date < by_calendar:
                    return use.on_date, f"{by_uses} uses reached"
                break
    return by_calendar, f"{months} months after the last check"


def _remarks(sieve: Sieve, last: Check | None) -> list[Finding]:
    if last is None:
        return [Finding("due", "never checked", sieve.id)]
    if last.outcome in ("fail", "conditional fail"):
        return [
            Finding("lifecycle", f"in service although {last.id} says {last.outcome}", sieve.id)
        ]
    return []
