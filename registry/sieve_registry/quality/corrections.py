"""Corrections: a later event states how an earlier record should read; that record stays."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_inspect.standard import resolve_nominal
from sieve_inspect.units import parse_length_um
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import RuleRefusedError, UnknownRecordError
from sieve_registry.ledger import corrections
from sieve_registry.ledger.events import CertificateRecorded, RecordCorrected, SieveAdded
from sieve_registry.ledger.records import Correction, Event, SieveHistory, facts_of_type
from sieve_registry.scales import corrections as amendments
from sieve_registry.sieves import lifecycle
from sieve_registry.sieves.certificates import exact_um, refuse_certificate
from sieve_registry.sieves.recording import RecordContext, RecordTerms, history_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import (
    clean_text,
    read_date,
    read_figure,
    refuse_future,
    shell_word,
)

_MOST_USES = 1_000_000
_MOST_APERTURES = 10**9
# Names on the command line of the fields of a record.
_TYPED = {
    "date": "on_date", "in-service": "in_service", "frame": "frame_nm", "nominal": "nominal_nm",
    "next-due": "next_due",
    **{
        f"{typed}-{axis}": f"{axis}.{field}"
        for axis in "xy"
        for typed, field in (
            ("mean", "mean_um"), ("u-mean", "expanded_um"), ("sd", "sd_um"), ("max", "max_um"),
            ("wire", "wire_mean_um"), ("count", "count"),
        )
    },
}  # fmt: skip
_IDENTITY = ("nominal_nm", "standard", "grade")
_NEEDED = ("reason", "method", "material", "number", "laboratory", *_IDENTITY)
_BEFORE_A_CHECK = "entered wrongly, put right before the first check"


def correct(
    registry: Registry,
    record: str,
    changes: Mapping[str, str],
    reason: str,
    terms: RecordTerms,
    *,
    void: bool = False,
) -> Correction:
    """Record how an earlier record should read, or that it is void; the record itself stays.

    `record` is the number of an event, or of a check (`C-0001`); `changes` use the names of the
    command line (`date`, `count`, `note`, `serial`, …). With neither changes nor `void` an earlier
    voiding is withdrawn. Raises `UnknownRecordError`, `UsageError`, and `RuleRefusedError` when the
    history would contradict itself.
    """
    why = clean_text("reason", reason, needed=True)
    seq = _event_number(registry, record)
    with registry.reading() as connection:
        named = reader.event_of(connection, seq)
    if named is not None and named.kind in amendments.AMENDABLE:
        return amendments.amend(registry, named, changes, reason, terms, void=void)
    with registry.writing() as connection:
        event = _correctable(connection, seq, record, void)
        now = dict(_new_value(event, typed, value) for typed, value in changes.items())
        _check_identity(connection, event, now)
        history = history_of(connection, event.subject)
        earlier = corrections.current_readings(history.corrections).get(seq, (False, {}))
        if not now and not void and not earlier[0]:
            raise UsageError(
                message="Nothing to correct: give a field and its new value "
                "(see `sieveward correct --help`)."
            )
        payload = RecordCorrected(
            corrects=seq,
            corrects_hash=event.hash,
            kind=event.kind,
            reason=why,
            void=void,
            was={name: earlier[1].get(name, _recorded(event, name)) for name in now},
            now=now,
        )
        if (void and earlier[0]) or (now and now == payload.was and not earlier[0]):
            raise UsageError(message=f"Event {seq} already reads so: there is nothing to correct.")
        day = terms.on_date or registry.today()
        refuse_future(day, registry.today(), "the correction")
        context = RecordContext(registry, connection, event.subject, day, terms.late_reason)
        appended = context.append(payload, terms.by)
        after = history_of(connection, event.subject)
        _refuse_contradictions(history, after)
        for fact in facts_of_type(after.acts, CertificateRecorded):
            if fact.seq == seq and now:
                refuse_certificate(after, fact.payload, fact.on_date, seq)
        return next(c for c in after.corrections if c.seq == appended.seq)


@dataclass(frozen=True)
class CorrectableRecord:
    """A record that may be corrected: its event, its fields as they now read, and its voiding.

    `fields` go by the names of the command line. `void` says whether it is void now.
    """

    event: Event
    fields: Mapping[str, Any]
    may_be_void: bool
    void: bool


def correctable(registry: Registry, record: str) -> CorrectableRecord:
    """What may be corrected of a record, by the number of its event or check.

    Raises `UnknownRecordError` for a record that is not there or cannot be corrected.
    """
    seq = _event_number(registry, record)
    with registry.reading() as connection:
        named = reader.event_of(connection, seq)
        if named is None or named.kind not in amendments.AMENDABLE:
            event = _correctable(connection, seq, record, void=False)
            names = corrections.CORRECTABLE[event.kind]
            made = list(history_of(connection, event.subject).corrections)
        else:
            event, names = named, amendments.AMENDABLE[named.kind]
            made = amendments.amendments(registry, event.subject)
    may_be_void = event.kind in amendments.AMENDABLE or event.kind in corrections.VOIDABLE
    void, now = corrections.current_readings(made).get(seq, (False, {}))
    shown = {stored: typed for typed, stored in _TYPED.items()}
    fields = {shown.get(name, name): now.get(name, _recorded(event, name)) for name in names}
    if fields.get("frame") is not None:
        fields["frame"] = f"{fields['frame'] / 1e6:g}mm"
    for name, value in fields.items():
        if value is not None and _TYPED.get(name, "").endswith("_um"):
            fields[name] = f"{value}um"
    return CorrectableRecord(event, fields, may_be_void, void)


def correct_identity(
    registry: Registry, sieve_id: str, changes: Mapping[str, str], terms: RecordTerms
) -> Correction:
    """Put a sieve's nominal, standard or grade right as long as no check was judged by it.

    Raises `RuleRefusedError` after the first check, which needs a correction with its reason.
    """
    with registry.reading() as connection:
        history = history_of(connection, sieve_id)
    if history.checks:
        words = (shell_word(f"{name}={value}", f"{name}=VALUE") for name, value in changes.items())
        typed = " ".join(f"--set {word}" for word in words)
        raise RuleRefusedError(
            sieve=history.sieve.id,
            reason=f"it was checked already, on {history.checks[0].on_date}: give the reason with "
            f"`sieveward correct {history.sieve.seq} {typed} --reason T`, and check it again",
        )
    return correct(registry, str(history.sieve.seq), changes, _BEFORE_A_CHECK, terms)


def _check_identity(connection: Connection, event: Event, now: Mapping[str, Any]) -> None:
    """Raise what `limits` raises where no limits exist for a corrected nominal or standard."""
    if event.kind != SieveAdded.KIND or not any(name in now for name in _IDENTITY):
        return
    from sieve_inspect.standard import limits

    sieve = history_of(connection, event.subject).sieve
    nominal, standard, grade = (now.get(name, getattr(sieve, name)) for name in _IDENTITY)
    limits(nominal / 1000, standard, grade=grade)


def _event_number(registry: Registry, record: str) -> int:
    text = record.strip().removeprefix("#")
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    return check_queries.get_check(registry, record).event.seq


def _correctable(connection: Connection, seq: int, record: str, void: bool) -> Event:
    event = reader.event_of(connection, seq)
    if event is None:
        reason = "no event has this number"
    elif event.kind not in corrections.CORRECTABLE:
        reason = f"it is a {event.kind!r}"
    elif void and event.kind not in corrections.VOIDABLE:
        reason = "a sieve once added stays; retire it with the reason"
    else:
        return event
    raise UnknownRecordError(record=record, reason=reason)


def _new_value(event: Event, typed: str, value: str) -> tuple[str, Any]:
    """A field and its new value, checked. Raises `UnknownRecordError`, `UsageError`."""
    name = _TYPED.get(typed, typed)
    allowed = corrections.CORRECTABLE[event.kind]
    if name not in allowed:
        shown = {stored: typed for typed, stored in _TYPED.items()}
        names = ", ".join(shown.get(stored, stored) for stored in allowed) or "nothing"
        raise UnknownRecordError(
            record=f"event {event.seq}",
            reason=f"of a {event.kind!r} only {names} can be corrected, not {typed!r}",
        )
    if name in corrections.CERTIFIED and not value and not name.endswith(".mean_um"):
        return name, None  # not stated on the certificate
    read = _READERS.get(name)
    return name, read(value) if read else clean_text(name, value, needed=name in _NEEDED)


def _length(value: str) -> str:
    return format(exact_um(parse_length_um(value)), "f")


def _whole(what: str, value: str, most: int) -> int:
    if not (value.isascii() and value.isdigit() and 1 <= int(value) <= most):
        raise UsageError(message=f"{value!r} is not a number of {what}: write 1 to {most}.")
    return int(value)


# How the fields that are no plain texts are read; raise `UsageError` or `DateRefusedError`.
_READERS: Mapping[str, Callable[[str], Any]] = {
    **dict.fromkeys(corrections.DAYS, lambda value: read_date(value).isoformat()),
    "nominal_nm": lambda value: round(resolve_nominal(value) * 1000),
    "frame_nm": lambda value: round(parse_length_um(value) * 1000),
    "count": lambda value: _whole("uses", value, _MOST_USES),
    "k": lambda value: format(read_figure("coverage factor", value), "f"),
    "outcome": lambda value: value.strip().casefold(),
    **dict.fromkeys(corrections.CERTIFIED, _length),
    **dict.fromkeys(
        ("x.count", "y.count"), lambda value: _whole("apertures", value, _MOST_APERTURES)
    ),
}


def _recorded(event: Event, name: str) -> Any:
    if name == "on_date":
        return event.on_date
    outer, _, inner = name.partition(".")
    value = json.loads(event.payload).get(outer)
    return value.get(inner) if inner else value


def _refuse_contradictions(before: SieveHistory, after: SieveHistory) -> None:
    known = {finding.message for finding in lifecycle.contradictions(before)}
    new = [f.message for f in lifecycle.contradictions(after) if f.message not in known]
    if new:
        raise RuleRefusedError(sieve=after.sieve.id, reason="; ".join(new))
