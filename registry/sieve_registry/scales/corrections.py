"""Corrections of artefacts, devices, scales and equipment by a later event.

Certified and measured values cannot be corrected: void the record and make a new one. A void record
stays in the ledger and is not used any more; checks that used it show a remark.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.errors import DateRefusedError, UnknownRecordError
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload, plain_object
from sieve_registry.ledger.corrections import current_readings
from sieve_registry.ledger.records import Correction, Event, Fact
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
    events.IlluminationMeasured.KIND: ("valid_until",),
    events.EquipmentAdded.KIND: (
        "maker", "model", "serial", "firmware", "driver", "place", "criterion", "received",
        "valid_to", "next_due", "note",
    ),
    events.EquipmentEdited.KIND: (),
    events.EquipmentLogged.KIND: ("note", "next_due"),
    events.EquipmentReported.KIND: ("note", "next_due"),
}  # fmt: skip
_TYPED = {"expansion": "expansion_ppm_per_k"}
_LINKS = ("artefact", "scale", "line", "base")  # of a check's chain: what names its event


def live(
    connection: Connection,
    wanted: Sequence[type[_Payload]],
    subject: str | None = None,
    until: int | None = None,
) -> list[Fact[_Payload]]:
    """Facts of the wanted types as they now read, void ones left out.

    `until` leaves out what was recorded after that event.
    """
    now = current_readings(_recorded(connection, subject, until))
    current = []
    for fact in reader.facts(connection, wanted, subject, until):
        void, fields = now.get(fact.seq, (False, {}))
        if void:
            continue
        if fields:
            read = type(fact.payload).from_payload({**fact.payload.to_payload(), **fields})
            current.append(replace(fact, payload=read))
        else:
            current.append(fact)
    return current


def live_facts(
    registry: Registry, subject: str | None, wanted: Sequence[type[_Payload]]
) -> list[Fact[_Payload]]:
    """The same, with a reading transaction of its own."""
    with registry.reading() as connection:
        return live(connection, wanted, subject)


def amendments(registry: Registry, seqs: Iterable[int] | str) -> list[Correction]:
    """Corrections of events, given by number or by subject."""
    with registry.reading() as connection:
        if isinstance(seqs, str):
            return _recorded(connection, seqs)
        wanted = set(seqs)
        return [made for made in _recorded(connection, None) if made.corrects in wanted]


def amend(
    registry: Registry,
    event: Event,
    changes: Mapping[str, str],
    reason: str,
    terms: RecordTerms,
    *,
    void: bool,
) -> Correction:
    """Correct the record of an artefact, device or scale, or declare it void.

    With neither, an earlier voiding is withdrawn. Raises `UnknownRecordError`, `UsageError`,
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
            raise UsageError(message=f"Event {event.seq} already reads so: nothing to correct.")
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
        seq = record_general(registry, connection, event.subject, payload, terms).seq
        return next(made for made in _recorded(connection, event.subject) if made.seq == seq)


def corrected_links(
    registry: Registry, trace: Mapping[str, Any] | None
) -> tuple[tuple[str, str], ...]:
    """Later corrections of the links of a check's chain, each as a name and a sentence."""
    return tuple(
        ("Corrected since", _sentence(correction))
        for correction in amendments(registry, links_of(trace))
    )


def links_of(trace: Mapping[str, Any] | None) -> list[int]:
    """The events of a check's chain."""
    return [int(trace[link]["event"]) for link in _LINKS if trace and trace.get(link)]


def voided(connection: Connection, until: int | None = None) -> dict[int, Correction]:
    """Events void by the records up to an event, each with its correction."""
    last = {correction.corrects: correction for correction in _recorded(connection, None, until)}
    return {seq: correction for seq, correction in last.items() if correction.void}


def _sentence(correction: Correction) -> str:
    reads = ", ".join(f"{k} {correction.was[k]} should read {v}" for k, v in correction.now.items())
    what = "is void" if correction.void else reads or "stands again"
    return (
        f"{correction.kind} (event {correction.corrects}) {what}: {correction.reason}; "
        f"{correction.person}, {correction.on_date}, event {correction.seq}"
    )


def _read(event: Event, typed: str, value: str) -> tuple[str, Any]:
    name = _TYPED.get(typed, typed.replace("-", "_"))
    if name not in AMENDABLE[event.kind]:
        names = ", ".join(AMENDABLE[event.kind]) or "nothing"
        raise UnknownRecordError(
            record=f"{event.seq}",
            reason=f"of a {event.kind!r}, {names} can be corrected; or void it and record it again",
        )
    if name.startswith("valid_") or name in ("received", "next_due"):
        return name, read_date(value).isoformat()
    if name == "expansion_ppm_per_k":
        try:
            number = float(value)
        except ValueError:
            number = -1.0
        if not 0 <= number <= 200:
            raise UsageError(message=f"{value!r} is not an expansion of 0 to 200 ppm per kelvin.")
        return name, number
    return name, clean_text(name, value, needed=True)


def _check_span(values: Mapping[str, Any]) -> None:
    first, last = values.get("valid_from"), values.get("valid_to")
    if first and last and date.fromisoformat(last) < date.fromisoformat(first):
        raise DateRefusedError(
            reason=f"A certificate valid to {last} cannot begin on {first}",
            advice="compare with the certificate",
        )


def _recorded(
    connection: Connection, subject: str | None, until: int | None = None
) -> list[Correction]:
    facts = reader.facts(connection, [events.ScaleChainCorrected], subject, until)
    return [rows.correction(fact) for fact in facts]
