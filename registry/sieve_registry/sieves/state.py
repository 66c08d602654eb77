"""What is true of a sieve at the end of a day: only what concerns that day or earlier counts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from sieve_inspect.outcomes import FAILING, FOR_INFORMATION, PASSING
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import (
    Check,
    Fact,
    Finding,
    Sieve,
    SieveDetails,
    SieveHistory,
    SieveState,
    Status,
    Use,
    Wanted,
    facts_of_type,
)
from sieve_registry.sieves.lifecycle import (
    last_certificate,
    new_cloth_since,
    quarantine_on,
    sign_off_demanded,
    signature_of,
)
from sieve_registry.values import add_months

IN_SERVICE, QUARANTINED, RETIRED = Status.IN_SERVICE, Status.QUARANTINED, Status.RETIRED
RETIRE = "retire"  # the action
_Result = Check | Fact[events.CertificateRecorded]  # what a sieve's next check is counted from
# Source of a remark, and the rules whose objections it joins.
_REMARKS = {"due": ("due",), "lifecycle": ("outcome", "decision"), "signature": ("signature",)}


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
    settings = _settings(history, day)
    last = _latest_check(history, day)
    certificate = last_certificate(history, day, last)
    certified = certificate if certificate and certificate.payload.outcome in PASSING else None
    result = certified or last
    uses = [use for use in history.uses if use.on_date <= day]
    since = [use for use in uses if result is None or _after(use, result)]
    quarantine = quarantine_on(history, day)
    status = _status(history, quarantine, day)
    cloth = None if certified else new_cloth_since(history, last, day)
    due, because = _due(history.sieve, result, since, settings, cloth)
    if status != IN_SERVICE:
        due, because = None, "" if status == RETIRED else "in quarantine: check it, then return it"
    # There may be very many: the constructor of a frozen record takes five times longer.
    state = object.__new__(SieveState)
    state.__dict__.update(
        sieve=history.sieve,
        as_of=day,
        status=status,
        location=settings.location,
        interval_months=settings.months,
        interval_uses=settings.by_uses,
        last_check=last,
        uses_total=sum(use.count for use in uses) if uses else 0,
        uses_since_check=sum(use.count for use in since) if since else 0,
        due=due,
        overdue=due is not None and day > due,
        due_because=because,
        details=settings.details,
        quarantine=quarantine if status == QUARANTINED else None,
        signed=_signed(history, last, day),
        sign_off=sign_off_demanded(history, day),
        new_cloth=cloth,
        cleaned=_newest(day, history.acts, events.SieveCleaned, last),
        decided=_decision(history, last, day),
        reference=_newest(
            day,
            history.opinions,
            events.ReferenceChecked,
            _newest(day, history.acts, events.ClothReplaced),
        ),
        certificate=certificate,
    )
    state.__dict__["remarks"] = tuple(_remarks(state))
    return state


def _latest_check(history: SieveHistory, day: date) -> Check | None:
    checks = [c for c in history.checks if c.outcome != FOR_INFORMATION and c.on_date <= day]
    if len(checks) < 2:
        return checks[0] if checks else None
    return max(checks, key=lambda check: (check.on_date, check.seq))


def _signed(
    history: SieveHistory, last: Check | None, day: date
) -> Fact[events.CheckSigned] | None:
    """The sign-off of the last check, if it was made by the end of the day."""
    signed = None if last is None else signature_of(history, last)
    return None if signed is None or signed.on_date > day else signed


def _decision(
    history: SieveHistory, last: Check | None, day: date
) -> Fact[events.ActionDecided] | None:
    """What a person decided last about the last check."""
    if last is None or not history.opinions:
        return None
    decisions = [
        fact
        for fact in facts_of_type(history.opinions, events.ActionDecided)
        if fact.payload.check == last.id
    ]
    return _newest(day, decisions, events.ActionDecided)


def _newest(
    day: date,
    facts: Sequence[Fact[EventPayload]],
    wanted: type[Wanted],
    since: Fact[EventPayload] | Check | None = None,
) -> Fact[Wanted] | None:
    """The last fact of a type up to a day, None where none came after `since`."""
    if not facts:
        return None  # most sieves: there may be very many
    known = (fact for fact in facts_of_type(facts, wanted) if fact.on_date <= day)
    last = max(known, key=lambda fact: (fact.on_date, fact.seq), default=None)
    if last is None or since is None or (last.on_date, last.seq) > (since.on_date, since.seq):
        return last
    return None


def _status(
    history: SieveHistory, quarantine: Fact[events.SieveQuarantined] | None, day: date
) -> Status:
    if history.retirement is not None and history.retirement.on_date <= day:
        return RETIRED
    return IN_SERVICE if quarantine is None else QUARANTINED


def due_list(states: Iterable[SieveState]) -> list[SieveState]:
    """The sieves a check is due for: overdue first, then the soonest; retired ones left out."""
    waiting = [state for state in states if state.due is not None]
    return sorted(waiting, key=lambda s: (not s.overdue, s.due or date.max, s.sieve.id))


class _Settings(NamedTuple):
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


def _after(use: Use, result: _Result) -> bool:
    """Whether a use came after a result; on one and the same day the order of recording tells."""
    return (use.on_date, use.seq) > (result.on_date, result.seq)


def _due(
    sieve: Sieve,
    last: _Result | None,
    since: list[Use],
    settings: _Settings,
    new_cloth: Fact[events.ClothReplaced] | None,
) -> tuple[date | None, str]:
    """The last day the sieve may still be used unchecked, and why that day."""
    if last is None:
        return sieve.in_service or sieve.added_on, "never checked"
    if new_cloth is not None:
        return new_cloth.on_date, "its new cloth was never checked"
    months, by_uses = settings.months, settings.by_uses
    by_calendar, because = add_months(last.on_date, months), f"{months} months after the last check"
    if isinstance(last, Fact):
        because = f"{months} months after certificate {last.payload.number}"
        if last.payload.next_due is not None:
            by_calendar = last.payload.next_due
            because = f"next due by certificate {last.payload.number}"
    if by_uses is not None:
        total = 0
        for use in sorted(since, key=lambda u: (u.on_date, u.seq)):
            total += use.count
            if total >= by_uses:
                if use.on_date < by_calendar:
                    return use.on_date, f"{by_uses} uses reached"
                break
    return by_calendar, because


def to_retire(state: SieveState) -> bool:
    """Whether a person decided to retire a sieve that is not retired yet."""
    decided, after = state.decided, state.certificate if state.certified else None
    if decided is None or (after and (after.on_date, after.seq) > (decided.on_date, decided.seq)):
        return False
    return state.status != RETIRED and decided.payload.decided == RETIRE


def objections_to_use(state: SieveState) -> list[Finding]:
    """Everything against using the sieve on that day; empty for a sieve that may be used.

    The source tells which rule objects: status, due, outcome, decision or signature.
    """
    last, sieve_id = state.last_check, state.sieve.id
    if state.status != IN_SERVICE:
        return [Finding("status", f"is {state.status}", sieve_id)]
    certificate = state.certificate
    if state.unchecked:
        return [Finding("due", "was never checked", sieve_id)]
    if state.new_cloth is not None:
        message = f"its cloth of {state.new_cloth.on_date} was never checked"
        return [Finding("due", message, sieve_id)]
    objections = []
    if state.overdue:
        objections.append(Finding("due", f"its check was due on {state.due}", sieve_id))
    if certificate is not None and certificate.payload.outcome in FAILING:
        name = f"certificate {certificate.payload.number} of {certificate.on_date}"
        message = f"its {name} is a {certificate.payload.outcome}"
        objections.append(Finding("outcome", message, sieve_id))
    elif certificate is None and last is not None and last.outcome in FAILING:
        message = f"its last check {last.id} is a {last.outcome}"
        objections.append(Finding("outcome", message, sieve_id))
    if state.decided is not None and to_retire(state):
        message = f"it was decided on {state.decided.on_date} to retire it"
        objections.append(Finding("decision", message, sieve_id))
    if last is not None and not state.certified and state.sign_off and state.signed is None:
        message = f"its last check {last.id} is not signed off"
        objections.append(Finding("signature", message, sieve_id))
    return objections


def _remarks(state: SieveState) -> list[Finding]:
    """Why a sieve should not be in service as it is."""
    sieve_id, quarantine = state.sieve.id, state.quarantine
    if state.status == RETIRED:
        return []
    if quarantine is not None:
        message = f"in quarantine since {quarantine.on_date}: {quarantine.payload.reason}"
        return [Finding("lifecycle", message, sieve_id)]
    if state.unchecked:
        return [Finding("due", "never checked", sieve_id)]
    against = objections_to_use(state)
    remarks = []
    for source, rules in _REMARKS.items() if against else ():
        if source == "due" and state.new_cloth is None:
            continue  # being overdue is a due day, no contradiction
        reasons = [objection.message for objection in against if objection.source in rules]
        if reasons:
            message = f"in service although {' and '.join(reasons)}"
            remarks.append(Finding(source, message, sieve_id))
    return remarks
