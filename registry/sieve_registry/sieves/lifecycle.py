"""What may be recorded of a sieve for a day, and what contradicts its history.

`objections` is a pure function that lists every objection to an intended record;
`refuse_contradictions` raises them as one error.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from sieve_inspect.errors import SievewardError
from sieve_inspect.outcomes import OUTCOMES, PASSING
from sieve_registry.errors import DateRefusedError, RuleRefusedError, SieveRetiredError
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Check, Fact, Finding, SieveHistory, facts_of_type
from sieve_registry.values import future

# What was recorded before may still be signed and reviewed.
_ABOUT_THE_PAST = (events.CheckSigned, events.ResultReviewed)


@dataclass(frozen=True)
class IntendedRecord:
    """A record about to be made of a sieve: kind of event, day, and its name in a sentence.

    `names` are those of the person: that of the record, and others the person is known by.
    """

    event_type: type[EventPayload]
    on_date: date
    today: date
    what: str
    names: tuple[str, ...] = ()
    late_reason: str = ""
    check_id: str = ""


@dataclass(frozen=True)
class _Objection:
    finding: Finding
    error: SievewardError


def objections(history: SieveHistory, intended: IntendedRecord) -> list[Finding]:
    """Every objection to an intended record; empty when it may be made."""
    return [objection.finding for objection in _objections(history, intended)]


def refuse_contradictions(history: SieveHistory, intended: IntendedRecord) -> None:
    """Raise the only objection, or all of them together as `RuleRefusedError`."""
    objections_made = list(_objections(history, intended))
    if len(objections_made) == 1:
        raise objections_made[0].error
    if objections_made:
        raise RuleRefusedError(
            sieve=history.sieve.id,
            reason="; ".join(
                f"({n}) {objection.finding.message}"
                for n, objection in enumerate(objections_made, start=1)
            ),
        )


def sign_off_demanded(history: SieveHistory, day: date) -> bool:
    """Whether the laboratory demands a second person's sign-off on that day."""
    demanded = False
    for since, wanted in history.sign_off:
        if since <= day:
            demanded = wanted
    return demanded


def signature_of(history: SieveHistory, check: Check) -> Fact[events.CheckSigned] | None:
    """The sign-off of a check by a second person, or None."""
    if not history.acts:
        return None
    signatures = facts_of_type(history.acts, events.CheckSigned)
    return next((fact for fact in signatures if fact.payload.check == check.id), None)


def quarantine_on(history: SieveHistory, day: date) -> Fact[events.SieveQuarantined] | None:
    """The quarantine the sieve is in at the end of `day`, or None."""
    if not history.acts:
        return None
    ends = (f for f in facts_of_type(history.acts, events.SieveReturned) if f.on_date <= day)
    returned = max(((f.on_date, f.seq) for f in ends), default=None)
    begun = [
        f
        for f in facts_of_type(history.acts, events.SieveQuarantined)
        if f.on_date <= day and (returned is None or (f.on_date, f.seq) > returned)
    ]
    return max(begun, key=lambda f: (f.on_date, f.seq), default=None)


def new_cloth_since(
    history: SieveHistory, check: Check | None, day: date
) -> Fact[events.ClothReplaced] | None:
    """The cloth put in last up to the end of `day`, if no check saw it (None: no check at all)."""
    if not history.acts:
        return None
    cloths = [f for f in facts_of_type(history.acts, events.ClothReplaced) if f.on_date <= day]
    last = max(cloths, key=lambda f: (f.on_date, f.seq), default=None)
    if last is None or check is None:
        return last
    return last if (last.on_date, last.seq) > (check.on_date, check.seq) else None


def last_certificate(
    history: SieveHistory, day: date, since: Check | Fact[EventPayload] | None = None
) -> Fact[events.CertificateRecorded] | None:
    """The last certificate with an outcome of the cloth in the frame at the end of `day`.

    None where there is none after `since`.
    """
    if not history.acts:
        return None
    acts = [act for act in history.acts if act.on_date <= day]
    cloths = facts_of_type(acts, events.ClothReplaced)
    starts = [(f.on_date, f.seq) for f in (*cloths, *([] if since is None else [since]))]
    last = max(
        (
            f
            for f in facts_of_type(acts, events.CertificateRecorded)
            if f.payload.outcome in OUTCOMES
        ),
        key=lambda fact: (fact.on_date, fact.seq),
        default=None,
    )
    return last if last and (last.on_date, last.seq) > max(starts, default=(date.min, 0)) else None


# --- one rule after another -------------------------------------------------------------------


def _objections(history: SieveHistory, intended: IntendedRecord) -> Iterator[_Objection]:
    if intended.on_date > intended.today:
        error = future(intended.on_date, intended.today, intended.what)
        yield _Objection(Finding("date", _words(error), history.sieve.id), error)
    if intended.event_type is events.CertificateRecorded:  # may be older than the service
        yield from _after_retirement(history, intended.on_date)
    elif intended.event_type not in _ABOUT_THE_PAST:
        yield from _outside_service(history, intended.on_date, intended.what)
    yield from _past_sign_off(history, intended)
    if intended.event_type is events.SieveRetired:
        yield from _after_the_end(history, intended.on_date)
    elif intended.event_type is events.SieveQuarantined:
        yield from _twice_in_quarantine(history, intended.on_date)
    elif intended.event_type is events.SieveReturned:
        yield from _return(history, intended)
    elif intended.event_type is events.UseLogged:
        yield from _use_in_quarantine(history, intended.on_date)
    elif intended.event_type is events.CheckSigned:
        yield from _signing(history, intended)


def _outside_service(history: SieveHistory, day: date, what: str) -> Iterator[_Objection]:
    sieve = history.sieve
    if sieve.in_service is not None and day < sieve.in_service:
        began = f"{day} is before sieve {sieve.id!r} went into service on {sieve.in_service}"
        yield _date(sieve.id, began, f"correct the date of {what}")
    yield from _after_retirement(history, day)


def _after_retirement(history: SieveHistory, day: date) -> Iterator[_Objection]:
    sieve, end = history.sieve, history.retirement
    if end is not None and day >= end.on_date:
        error = SieveRetiredError(sieve=sieve.id, date=end.on_date, reason=end.reason)
        yield _Objection(Finding("retired", _words(error), sieve.id), error)


def _past_sign_off(history: SieveHistory, intended: IntendedRecord) -> Iterator[_Objection]:
    """What was signed off is closed: something may be slipped in before it only with a reason."""
    if intended.late_reason or intended.event_type in _ABOUT_THE_PAST:
        return
    days = [f.on_date for f in facts_of_type(history.acts, events.CheckSigned)]
    later = [day for day in days if day > intended.on_date]
    if later:
        yield _date(
            history.sieve.id,
            f"{intended.on_date} lies before the sign-off of {max(later)}",
            "say with --why-late why it is recorded only now",
        )


def _after_the_end(history: SieveHistory, day: date) -> Iterator[_Objection]:
    days = [check.on_date for check in history.checks] + [use.on_date for use in history.uses]
    later = [other for other in days if other > day]
    if later:
        yield _date(
            history.sieve.id,
            f"Sieve {history.sieve.id!r} was still checked or used on {max(later)}",
            f"retire it on {max(later)} or later",
        )


def _twice_in_quarantine(history: SieveHistory, day: date) -> Iterator[_Objection]:
    inside = quarantine_on(history, day)
    if inside is not None:
        since = f"it is in quarantine already, since {inside.on_date}"
        yield _rule(history, f"{since} ({inside.payload.reason})")


def _use_in_quarantine(history: SieveHistory, day: date) -> Iterator[_Objection]:
    inside = quarantine_on(history, day)
    if inside is not None:
        yield _rule(
            history,
            f"it is in quarantine since {inside.on_date} ({inside.payload.reason}): check it "
            "and `sieveward return` it before it is used",
        )


def _return(history: SieveHistory, intended: IntendedRecord) -> Iterator[_Objection]:
    """ISO/IEC 17025:2017, 6.4.4 and 6.4.9: verified before it goes back into service."""
    inside = quarantine_on(history, intended.on_date)
    if inside is None:
        yield _rule(history, "it is not in quarantine on that day, so it cannot return")
        return
    since = [
        check
        for check in history.judged
        if (check.on_date, check.seq) > (inside.on_date, inside.seq)
        and check.on_date <= intended.on_date
    ]
    last = max(since, key=lambda c: (c.on_date, c.seq), default=None)
    why = "damage" if inside.payload.damage else "quarantine"
    certificate = last_certificate(history, intended.on_date, last or inside)
    if certificate is not None and certificate.payload.outcome in PASSING:
        return
    if last is None:
        yield _rule(history, f"it was not checked since its {why} of {inside.on_date}")
    elif last.outcome not in PASSING:
        yield _rule(history, f"its check {last.id} since the {why} is a {last.outcome}")
    cloth = new_cloth_since(history, last, intended.on_date)
    if last is not None and cloth is not None:
        yield _rule(history, f"its cloth of {cloth.on_date} was not checked")
    if (
        last is not None
        and sign_off_demanded(history, intended.on_date)
        and signature_of(history, last) is None
    ):
        yield _rule(history, f"its check {last.id} is not signed off by a second person")


def _signing(history: SieveHistory, intended: IntendedRecord) -> Iterator[_Objection]:
    check = next((c for c in history.checks if c.id == intended.check_id), None)
    if check is None:
        yield _rule(history, f"its check {intended.check_id} was declared void")
        return
    if intended.on_date < check.on_date:
        yield _rule(history, f"{check.id} was made only on {check.on_date}")
    if any(_same(check.person, name) for name in intended.names):
        yield _rule(history, f"{check.person} made {check.id}: a second person has to sign it")
    signed = signature_of(history, check)
    if signed is not None:
        yield _rule(history, f"{check.id} was signed by {signed.person} on {signed.on_date}")


def _same(first: str, other: str) -> bool:
    return first.casefold().split() == other.casefold().split()


def contradictions(history: SieveHistory) -> list[Finding]:
    """What in a history cannot be true together; a correction may not add to it."""
    sieve, end = history.sieve, history.retirement
    records = [("check", c.on_date, c.seq) for c in history.checks]
    records += [("use", u.on_date, u.seq) for u in history.uses]
    messages = []
    for what, day, seq in records:
        if sieve.in_service is not None and day < sieve.in_service:
            messages.append(f"the {what} of {day} (event {seq}) lies before {sieve.in_service}")
        if end is not None and day > end.on_date:
            messages.append(
                f"the {what} of {day} (event {seq}) lies after its end on {end.on_date}"
            )
    checks = {check.id for check in history.checks}
    messages += [
        f"event {fact.seq} signs {fact.payload.check}, which would be void: void that one first"
        for fact in facts_of_type(history.acts, events.CheckSigned)
        if fact.payload.check not in checks
    ]
    if sieve.in_service is not None and end is not None and end.on_date < sieve.in_service:
        messages.append(f"it ended on {end.on_date}, before it began on {sieve.in_service}")
    return [Finding("lifecycle", message, sieve.id) for message in messages]


def _date(sieve_id: str, reason: str, advice: str) -> _Objection:
    error = DateRefusedError(reason=reason, advice=advice)
    return _Objection(Finding("date", _words(error), sieve_id), error)


def _rule(history: SieveHistory, message: str) -> _Objection:
    sieve_id = history.sieve.id
    error = RuleRefusedError(sieve=sieve_id, reason=message)
    return _Objection(Finding("lifecycle", message, sieve_id), error)


def _words(error: SievewardError) -> str:
    return str(error).rstrip(".")
