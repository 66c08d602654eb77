"""Corrections of artefacts, devices and scales: a later event says how an earlier one should read.

What was certified or measured is not corrected: such a record is void, and made anew. A void
record is no longer found, yet it stays, and the checks that rest on it say so.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry import events
from sieve_registry.codec import EventPayload, plain_object
from sieve_registry.errors import DateRefusedError, UnknownRecordError
from sieve_registry.ledger.corrections import current_readings
from sieve_registry.records import Correction, Event, Fact
from sieve_registry.sieves.recording import RecordTerms, record_general
from sieve_registry.store import reader, rows
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text, read_date

_Payload = TypeVar("_Payload", bound=EventPayload)
AMENDABLE: Mapping[str, tuple[str, ...]] = {
    events.ArtefactAdded.KIND: (
        "certificate", "laboratory", "valid_from", "valid_to", "expansion_ppm_per_k",
    ),
    events.DeviceAdded.KIND: ("serial", "light"),
    events.ScaleCalibrated.KIND: ("valid_until",),
}  # fmt: skip
_TYPED = {"expansion": "expansion_ppm_per_k"}
_LINKS = ("artefact", "scale", "line", "base")  # of a check's chain: what names its event


def live(
    connection: Connection, wanted: Sequence[type[_Payload]], subject: str | None = None
) -> list[Fact[_Payload]]:
    """Facts of the wanted types as they now read, void ones left out."""
    now = current_readings(_recorded(connection, subject))
    found = []
    for fact in reader.facts(connection, wanted, subject):
        void, fields = now.get(fact.seq, (False, {}))
        if void:
            continue
        if fields:
            read = type(fact.payload).from_payload({**fact.payload.to_payload(), **fields})
            found.append(replace(fact, payload=read))
        else:
            found.append(fact)
    return found


def live_facts(
    registry: Registry, subject: str | None, wanted: Sequence[type[_Payload]]
) -> list[Fact[_Payload]]:
    """The same, with a reading transaction of its own."""
    with registry.reading() as connection:
        return live(connection, wanted, subject)


def amendments(registry: Registry, seqs: Iterable[int] | str) -> list[Correction]:
    """What was said later of events by their numbers, or of all those about one subject."""
    with registry.reading() as connection:
        if isinstance(seqs, str):
            return _recorded(connection, seqs)
        wanted = set(seqs)
        return [one for one in _recorded(connection, None) if one.corrects in wanted]


def amend(
    registry: Registry,
    event: Event,
    changes: Mapping[str, str],
    reason: str,
    terms: RecordTerms,
    *,
    void: bool,
) -> Correction:
    """Say how the record of an artefact, device or scale should read, or that it is void.

    With neither an earlier voiding is taken back. Raises `UnknownRecordError`, `UsageError`,
    `DateRefusedError`.
    """
    why = clean_text("reason", reason, needed=True)
    now = plain_object(dict(_read(event, typed, value) for typed, value in changes.items()))
    with registry.writing() as connection:
        was_void, fields = current_readings(_recorded(connection, event.subject)).get(
            event.seq, (False, {})
        )
        before = {**json.loads(event.payload), **fields}
        if not now and void == was_void:
            raise UsageError(message=f"Event {event.seq} reads so already: nothing to correct.")
        _check_span({**before, **now})
        payload = events.ScaleChainCorrected(
            corrects=event.seq,
            corrects_hash=event.hash,
            kind=event.kind,
            reason=why,
            void=void,
            was={name: before[name] for name in now},
            now=now,
        )
        made = record_general(registry, connection, event.subject, payload, terms)
        return next(one for one in _recorded(connection, event.subject) if one.seq == made.seq)


def corrected_links(
    registry: Registry, trace: Mapping[str, Any] | None
) -> tuple[tuple[str, str], ...]:
    """What was said later of the links a check's chain hangs on, each as a name and a sentence."""
    return tuple(
        ("Corrected since", _sentence(one)) for one in amendments(registry, links_of(trace))
    )


def links_of(trace: Mapping[str, Any] | None) -> list[int]:
    """The events a check's chain hangs on."""
    return [int(trace[link]["event"]) for link in _LINKS if trace and trace.get(link)]


def voided(connection: Connection, until: int | None = None) -> dict[int, Correction]:
    """Events that are void by what was recorded up to an event, each with what says so."""
    last = {one.corrects: one for one in _recorded(connection, None, until)}
    return {seq: one for seq, one in last.items() if one.void}


def _sentence(one: Correction) -> str:
    reads = ", ".join(f"{k} {one.was[k]} should read {v}" for k, v in one.now.items())
    what = "is void" if one.void else reads or "stands again"
    return (
        f"{one.kind} (event {one.corrects}) {what}: {one.reason}; {one.person}, {one.on_date}, "
        f"event {one.seq}"
    )


def _read(event: Event, typed: str, value: str) -> tuple[str, Any]:
    name = _TYPED.get(typed, typed.replace("-", "_"))
    if name not in AMENDABLE[event.kind]:
        names = ", ".join(AMENDABLE[event.kind])
        raise UnknownRecordError(
            record=f"{event.seq}",
            reason=f"of a {event.kind!r}, {names} can be corrected; else void it and record anew",
        )
    if name.startswith("valid_"):
        return name, read_date(value).isoformat()
    if name == "expansion_ppm_per_k":
        try:
            number = float(value)
        except ValueError:
            number = -1.0
        if not 0 <= number <= 200:
            raise UsageError(message=f"{value!r} is no expansion in ppm per kelvin.")
        return name, number
    return name, clean_text(name, value, needed=True)


def _check_span(said: Mapping[str, Any]) -> None:
    first, last = said.get("valid_from"), said.get("valid_to")
    if first and last and date.fromisoformat(last) < date.fromisoformat(first):
        raise DateRefusedError(
            reason=f"A certificate valid to {last} cannot begin on {first}",
            advice="look at the certificate again",
        )


def _recorded(
    connection: Connection, subject: str | None, until: int | None = None
) -> list[Correction]:
    found = reader.facts(connection, [events.ScaleChainCorrected], subject, until)
    return [rows.correction(fact) for fact in found]
