"""What is true of a sieve at the end of a day: only what concerns that day or earlier counts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from sieve_inspect.outcomes import FAILING
from sieve_registry import events
from sieve_registry.codec import EventPayload
from sieve_registry.records import (
    Check,
    Fact,
    Finding,
    Sieve,
    SieveDetails,
    SieveHistory,
    SieveState,
    Use,
    Wanted,
    facts_of_type,
)
from sieve_registry.sieves.lifecycle import (
    new_cloth_since,
    quarantine_on,
    sign_off_demanded,
    signature_of,
)
from sieve_registry.values import add_months

__all__ = [
    "IN_SERVICE", "QUARANTINED", "RETIRED", "due_list", "known_from", "state_as_of", "to_retire",
]  # fmt: skip

IN_SERVICE = "in service"
QUARANTINED = "quarantined"
RETIRED = "retired"
RETIRE = "retire"  # the action


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
        *(a.on_date for a in history.acts),
    ]
    if history.retirement is not None:
        days.append(history.retirement.on_date)
    return min(days)


def state_as_of(history: SieveHistory, day: date) -> SieveState | None:
    """The sieve's state at the end of `day`, or None when it was not yet there."""
    if day < known_from(history):
        return None
    sieve, settings = history.sieve, _settings(history, day)
    checks = [check for check in history.checks if check.on_date <= day]
    last = max(checks, key=lambda check: (check.on_date, check.seq), default=None)
    uses = [use for use in history.uses if use.on_date <= day]
    since = [use for use in uses if last is None or _after(use, last)]
    quarantine = quarantine_on(history, day)
    status = _status(history, quarantine, day)
    due, because = _due(sieve, last, since, settings)
    cloth = new_cloth_since(history, last, day)
    if cloth is not None and last is not None:
        due, because = cloth.on_date, "its new cloth was never checked"
    if status != IN_SERVICE:
        due, because = None, "" if status == RETIRED else "in quarantine: check it, then return it"
    signed = None if last is None else signature_of(history, last)
    signed = None if signed is None or signed.on_date > day else signed
    demanded = sign_off_demanded(history, day)
    found = SieveState(
        sieve=sieve,
        as_of=day,
        status=status,
        location=settings.location,
        interval_months=settings.months,
        interval_uses=settings.by_uses,
        last_check=last,
        uses_total=sum(use.count for use in uses),
        uses_since_check=sum(use.count for use in since),
        due=due,
        overdue=due is not None and day > due,
        due_because=because,
        remarks=(),
        details=settings.details,
        quarantine=quarantine if status == QUARANTINED else None,
        signed=signed,
        sign_off=demanded,
        new_cloth=cloth,
        cleaned=_latest(_up_to(day, history.acts, events.SieveCleaned), last),
        decided=_latest(
            fact
            for fact in _up_to(day, history.opinions, events.ActionDecided)
            if last and fact.payload.check == last.id
        ),
        reference=_latest(
            _up_to(day, history.opinions, events.ReferenceChecked),
            _latest(_up_to(day, history.acts, events.ClothReplaced)),
        ),
    )
    remarks = () if status == RETIRED else tuple(_remarks(found))
    return replace(found, remarks=remarks) if remarks else found


def _up_to(
    day: date, facts: Iterable[Fact[EventPayload]], wanted: type[Wanted]
) -> list[Fact[Wanted]]:
    return [fact for fact in facts_of_type(facts, wanted) if fact.on_date <= day]


def _latest(
    facts: Iterable[Fact[Wanted]], since: Fact[EventPayload] | Check | None = None
) -> Fact[Wanted] | None:
    """The last of some facts, None where none came after `since`."""
    last = max(facts, key=lambda fact: (fact.on_date, fact.seq), default=None)
    if last is None or since is None or (last.on_date, last.seq) > (since.on_date, since.seq):
        return last
    return None


def _status(
    history: SieveHistory, quarantine: Fact[events.SieveQuarantined] | None, day: date
) -> str:
    if history.retirement is not None and history.retirement.on_date <= day:
        return RETIRED
    return IN_SERVICE if quarantine is None else QUARANTINED


def due_list(states: Iterable[SieveState]) -> list[SieveState]:
    """The sieves a check is due for: overdue first, then the soonest; retired ones left out."""
    waiting = [state for state in states if state.due is not None]
    return sorted(waiting, key=lambda s: (not s.overdue, s.due or date.max, s.sieve.id))


@dataclass(frozen=True)
class _Settings:
    """What may be edited, as it reads on one day."""

    months: int
    by_uses: int | None
    location: str
    details: SieveDetails


def _settings(history: SieveHistory, day: date) -> _Settings:
    """Intervals, location and details as edited up to `day`."""
    sieve = history.sieve
    months, by_uses, location = sieve.interval_months, sieve.interval_uses, sieve.location
    details = sieve.details
    for edit in sorted(history.edits, key=lambda e: (e.on_date, e.seq)):
        if edit.on_date > day:
            break
        months = months if edit.interval_months is None else edit.interval_months
        by_uses = by_uses if edit.interval_uses is None else edit.interval_uses or None
        location = location if edit.location is None else edit.location
        details = replace(details, **dict(edit.details)) if edit.details else details
    return _Settings(months, by_uses, location, details)


def _after(use: Use, check: Check) -> bool:
    """Whether a use came after a check; on one and the same day the order of recording tells."""
    return (use.on_date, use.seq) > (check.on_date, check.seq)


def _due(
    sieve: Sieve, last: Check | None, since: list[Use], settings: _Settings
) -> tuple[date | None, str]:
    """The last day the sieve may still be used unchecked, and why that day."""
    if last is None:
        return sieve.in_service or sieve.added_on, "never checked"
    months, by_uses = settings.months, settings.by_uses
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


def to_retire(state: SieveState) -> bool:
    """Whether a person decided to retire a sieve that is not retired yet."""
    decided = state.decided
    return state.status != RETIRED and decided is not None and decided.payload.decided == RETIRE


def _remarks(state: SieveState) -> list[Finding]:
    last, sieve_id = state.last_check, state.sieve.id
    if state.quarantine is not None:
        since, why = state.quarantine.on_date, state.quarantine.payload.reason
        return [Finding("lifecycle", f"in quarantine since {since}: {why}", sieve_id)]
    if last is None:
        return [Finding("due", "never checked", sieve_id)]
    if state.new_cloth is not None:
        message = f"in service although its cloth of {state.new_cloth.on_date} was never checked"
        return [Finding("due", message, sieve_id)]
    found, against = [], []
    if last.outcome in FAILING:
        against.append(f"{last.id} says {last.outcome}")
    if to_retire(state):
        assert state.decided is not None
        against.append(f"it was decided on {state.decided.on_date} to retire it")
    if against:
        message = f"in service although {' and '.join(against)}"
        found.append(Finding("lifecycle", message, sieve_id))
    if state.sign_off and state.signed is None:
        message = f"in service although {last.id} is not signed off"
        found.append(Finding("lifecycle", message, sieve_id))
    return found
