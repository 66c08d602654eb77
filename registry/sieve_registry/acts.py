"""Quarantine and return, cleaning, signing, corrections, and what the laboratory demands."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_inspect.units import parse_length_um
from sieve_registry import amendments, kinds, service
from sieve_registry.deed import Doing, Told, deed, history_of, record_general
from sieve_registry.errors import RuleRefusedError, SignatureError, UnknownRecordError
from sieve_registry.ledger import signing
from sieve_registry.records import Correction, Event, SieveHistory, SieveState
from sieve_registry.rules import corrections, lifecycle
from sieve_registry.rules.dates import read_date
from sieve_registry.rules.text import clean_text
from sieve_registry.service import Registry
from sieve_registry.store import reader

__all__ = [
    "clean",
    "correct",
    "demand_sign_off",
    "quarantine",
    "return_to_service",
    "sign_check",
    "sign_head",
]

LABORATORY = "laboratory"
LEDGER = "ledger"
_MOST_USES = 1_000_000
# What people type for the fields of a record.
_TYPED = {"date": "on_date", "in-service": "in_service", "frame": "frame_nm"}


def quarantine(
    registry: Registry, sieve_id: str, reason: str, told: Told, *, damage: bool = False
) -> SieveState:
    """Take a sieve out of use until a check passes; `damage` says that it was harmed."""
    payload = {"reason": clean_text("reason", reason, needed=True), "damage": damage}
    what = (kinds.SIEVE_QUARANTINED, "the quarantine")
    with deed(registry, sieve_id, *what, told) as doing:
        return doing.record(kinds.SIEVE_QUARANTINED, payload, told.by)


def return_to_service(registry: Registry, sieve_id: str, reason: str, told: Told) -> SieveState:
    """Put a sieve back into use. Raises `RuleRefusedError` without a passing check since then."""
    payload = {"reason": clean_text("reason", reason, needed=True)}
    with deed(registry, sieve_id, kinds.SIEVE_RETURNED, "the return", told) as doing:
        return doing.record(kinds.SIEVE_RETURNED, payload, told.by)


def clean(registry: Registry, sieve_id: str, method: str, note: str, told: Told) -> SieveState:
    """Record that a sieve was cleaned or otherwise looked after."""
    payload = {
        "method": clean_text("method", method, needed=True),
        "note": clean_text("note", note),
    }
    with deed(registry, sieve_id, kinds.SIEVE_CLEANED, "the cleaning", told) as doing:
        return doing.record(kinds.SIEVE_CLEANED, payload, told.by)


def sign_check(registry: Registry, check_id: str, note: str, told: Told) -> SieveState:
    """Sign a check off as the second person.

    Raises `UnknownCheckError`, and `RuleRefusedError` when the person made the check or it is
    signed already.
    """
    check = service.get_check(registry, check_id).check
    payload = {"check": check.id, "note": clean_text("note", note)}
    what = (kinds.CHECK_SIGNED, "the sign-off")
    with deed(registry, check.sieve_id, *what, told, check_id=check.id) as doing:
        return doing.record(kinds.CHECK_SIGNED, payload, told.by)


def sign_head(registry: Registry, key: Path, told: Told) -> Event:
    """Sign the newest event's hash with an Ed25519 key; the signature is the next event.

    Raises `SignatureError` when the key cannot be used or nothing is recorded yet.
    """
    with registry.writing() as connection:
        last = reader.last_event(connection)
        if last is None:
            raise SignatureError(file=key, reason="nothing is recorded yet")
        payload = signing.sign_head(key, last.seq, last.hash)
        return record_general(registry, connection, kinds.HEAD_SIGNED, LEDGER, payload, told)


def demand_sign_off(registry: Registry, wanted: bool, told: Told) -> Event:
    """Set whether, from a day on, every check wants a second person's sign-off."""
    with registry.writing() as connection:
        payload = {"sign_off": wanted}
        return record_general(registry, connection, kinds.RULES_SET, LABORATORY, payload, told)


def correct(
    registry: Registry,
    record: str,
    changes: Mapping[str, str],
    reason: str,
    told: Told,
    *,
    void: bool = False,
) -> Correction:
    """Say how an earlier record should read, or that it is void; the record itself stays.

    `record` is the number of an event, or of a check (`C-0001`); `changes` go by the names people
    type (`date`, `count`, `note`, `serial`, …). With neither changes nor `void` an earlier voiding
    is taken back. Raises `UnknownRecordError`, `UsageError`, and `RuleRefusedError` when the
    history would contradict itself.
    """
    why = clean_text("reason", reason, needed=True)
    seq = _event_number(registry, record)
    with registry.reading() as connection:
        named = reader.event_of(connection, seq)
    if named is not None and named.kind in amendments.AMENDABLE:
        return amendments.amend(registry, named, changes, reason, told, void=void)
    with registry.writing() as connection:
        event = _correctable(connection, seq, record, void)
        now = dict(_read(event, typed, value) for typed, value in changes.items())
        history = history_of(connection, event.subject)
        earlier = corrections.current(history.corrections).get(seq, (False, {}))
        if not now and not void and not earlier[0]:
            raise UsageError(
                message="Nothing to correct was given: see `sieveward correct --help`."
            )
        payload = {
            "corrects": seq,
            "corrects_hash": event.hash,
            "kind": event.kind,
            "reason": why,
            "void": void,
            "was": {name: earlier[1].get(name, _said(event, name)) for name in now},
            "now": now,
        }
        if (void and earlier[0]) or (now and now == payload["was"] and not earlier[0]):
            raise UsageError(message=f"Event {seq} reads so already: there is nothing to correct.")
        day = told.on_date or registry.today()
        lifecycle.refuse_future(day, registry.today(), "the correction")
        doing = Doing(registry, connection, event.subject, day, told.why_late)
        appended = doing.append(kinds.CORRECTED, payload, told.by)
        after = history_of(connection, event.subject)
        _refuse_contradictions(history, after)
        return next(one for one in after.corrections if one.seq == appended.seq)


def _event_number(registry: Registry, record: str) -> int:
    text = record.strip().removeprefix("#")
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    return service.get_check(registry, record).event.seq


def _correctable(connection: Connection, seq: int, record: str, void: bool) -> Event:
    event = reader.event_of(connection, seq)
    if event is None:
        raise UnknownRecordError(record=record, reason="no event has this number")
    if event.kind not in corrections.CORRECTABLE:
        raise UnknownRecordError(record=record, reason=f"it is a {event.kind!r}")
    if void and event.kind not in corrections.VOIDABLE:
        raise UnknownRecordError(
            record=record, reason="a sieve once added stays; retire it with the reason"
        )
    return event


def _read(event: Event, typed: str, value: str) -> tuple[str, Any]:
    """A field and its new value, checked. Raises `UnknownRecordError`, `UsageError`."""
    name = _TYPED.get(typed, typed)
    allowed = corrections.CORRECTABLE[event.kind]
    if name not in allowed:
        shown = {stored: typed for typed, stored in _TYPED.items()}
        names = ", ".join(shown.get(one, one) for one in allowed) or "nothing"
        raise UnknownRecordError(
            record=f"event {event.seq}",
            reason=f"of a {event.kind!r} only {names} can be corrected, not {typed!r}",
        )
    if name in ("on_date", "in_service"):
        return name, read_date(value).isoformat()
    if name == "frame_nm":
        return name, round(parse_length_um(value) * 1000)
    if name == "count":
        if not (value.isascii() and value.isdigit() and 1 <= int(value) <= _MOST_USES):
            raise UsageError(message=f"{value!r} is no number of uses.")
        return name, int(value)
    return name, clean_text(name, value, needed=name in ("reason", "method"))


def _said(event: Event, name: str) -> Any:
    return event.on_date if name == "on_date" else json.loads(event.payload)[name]


def _refuse_contradictions(before: SieveHistory, after: SieveHistory) -> None:
    known = {finding.message for finding in lifecycle.contradictions(before)}
    new = [f.message for f in lifecycle.contradictions(after) if f.message not in known]
    if new:
        raise RuleRefusedError(sieve=after.sieve.id, reason="; ".join(new))
