"""Records made with a piece of equipment that failed (ISO/IEC 17025:2017, 6.4.9 and 7.10).

A failed check or damage puts in question what was measured with the piece since its passed check
before, up to its next passed check: checks, reference checks, scales and illuminations that name
it, or that name a device, an artefact or a material which it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from sieve_registry.ledger.choices import EquipmentAct
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.corrections import corrected
from sieve_registry.ledger.events import (
    CheckRecorded,
    EquipmentLogged,
    IlluminationMeasured,
    RecordCorrected,
    ReferenceChecked,
    ScaleCalibrated,
    ScaleChainCorrected,
)
from sieve_registry.ledger.records import Fact
from sieve_registry.outlook.cloth_history import moment
from sieve_registry.scales.corrections import live
from sieve_registry.scales.equipment import EQUIPMENT_EVENTS, FAIL, PASS, Equipment, equipment_of
from sieve_registry.store import content, reader, rows
from sieve_registry.store.engine import Registry

_MEASURED: tuple[type[EventPayload], ...] = (
    CheckRecorded,
    ReferenceChecked,
    ScaleCalibrated,
    IlluminationMeasured,
)
USING = (CheckRecorded, ReferenceChecked, IlluminationMeasured)  # that name equipment used


@dataclass(frozen=True)
class EquipmentLookback:
    """What a piece measured between the passed checks before (None: since it was added) and after.

    `cause` is the failed check or the damage in between; `after` None: not passed again yet.
    """

    piece: Equipment
    cause: Fact[EquipmentLogged]
    before: Fact[EquipmentLogged] | None
    after: Fact[EquipmentLogged] | None
    records: tuple[Fact[EventPayload], ...] = ()

    @property
    def reason(self) -> str:
        """What happened to the piece, for a sentence."""
        stated = self.cause.payload
        what = "failed its check" if stated.act == EquipmentAct.CHECK else "was damaged"
        note = f" ({stated.note})" if stated.note else ""
        return f"{self.piece.id} {what} on {self.cause.on_date}{note}"

    @property
    def span(self) -> str:
        """The days in question, for a sentence."""
        since = (
            "it was added" if self.before is None else f"its passed check of {self.before.on_date}"
        )
        until = "" if self.after is None else f" to that of {self.after.on_date}"
        return f"since {since}{until}"


def equipment_lookbacks(
    registry: Registry, day: date | None = None, piece: str | None = None
) -> list[EquipmentLookback]:
    """The look-backs of a piece (None: of all) that failed up to a day (today), oldest first."""
    with registry.reading() as connection:
        every = lookbacks_on(connection, day or registry.today())
    return [review for review in every if piece in (None, review.piece.id)]


def doubts_of_sieve(registry: Registry, sieve_id: str, day: date | None = None) -> list[str]:
    """The checks of a sieve that failed equipment puts in question, a sentence each."""
    return [
        f"The {record_name(fact)} on {fact.on_date} (event {fact.seq}) is in question: "
        f"{review.reason}."
        for review in equipment_lookbacks(registry, day)
        for fact in review.records
        if fact.subject == sieve_id
    ]


def lookbacks_on(
    connection: Connection,
    day: date,
    until: int | None = None,
    without: frozenset[int] = frozenset(),
) -> list[EquipmentLookback]:
    """The same within a transaction; `until` leaves out later events, `without` causes."""
    pieces = equipment_of(live(connection, EQUIPMENT_EVENTS, None, until), day)
    failures = [failure for piece in pieces for failure in _failures(piece)]
    wanted = [failure for failure in failures if failure.cause.seq not in without]
    made = [_with_records(connection, failure, day, until) for failure in wanted]
    return sorted(made, key=lambda review: moment(review.cause))


def _failures(piece: Equipment) -> Iterator[EquipmentLookback]:
    """Every failure of a piece with the passed checks around it; the first of several in a row."""
    before: Fact[EquipmentLogged] | None = None
    cause: Fact[EquipmentLogged] | None = None
    for event in piece.log:
        checked = event.payload.act == EquipmentAct.CHECK
        if checked and event.payload.outcome == PASS:
            if cause is not None:
                yield EquipmentLookback(piece, cause, before, event)
            before, cause = event, None
        elif event.payload.act == EquipmentAct.DAMAGE or event.payload.outcome == FAIL:
            cause = cause or event
    if cause is not None:
        yield EquipmentLookback(piece, cause, before, None)


def _with_records(
    connection: Connection, failure: EquipmentLookback, day: date, until: int | None
) -> EquipmentLookback:
    piece, before, after = failure.piece, failure.before, failure.after
    names = (piece.id, *piece.names)
    first = date.min if before is None else before.on_date
    last = day if after is None else min(after.on_date, day)
    facts = content.facts_naming(connection, _MEASURED, names, (first, last), until)
    if not facts:
        return failure
    made = reader.facts(connection, [RecordCorrected, ScaleChainCorrected], None, until)
    wanted = {name.casefold() for name in names}
    records = tuple(
        fact
        for fact in corrected(facts, map(rows.correction, made))
        if wanted & {name.casefold() for name in equipment_in(fact.payload)}
        and (before is None or moment(before) < moment(fact))
        and (after is None or moment(fact) < moment(after))
    )
    return EquipmentLookback(piece, failure.cause, before, after, records)


def equipment_in(payload: EventPayload) -> list[str]:
    """The names of devices, artefacts, materials and other equipment that a record states."""
    stated = payload.to_payload()
    trace: Mapping[str, Any] = stated.get("trace") or {}
    artefact, scale = trace.get("artefact") or {}, trace.get("scale") or {}
    single = (stated.get(key) for key in ("device", "artefact", "material"))
    names = (*single, scale.get("device"), artefact.get("id"), *stated.get("equipment", ()))
    return [str(name) for name in dict.fromkeys(names) if name]


def record_name(fact: Fact[EventPayload]) -> str:
    """A record in question, for a list: "check C-0004 of S-0075"."""
    return name_of(fact.kind, fact.subject, fact.payload.to_payload())


def name_of(kind: str, subject: str, payload: Mapping[str, Any]) -> str:
    """The same of an event with its payload as JSON."""
    names = {
        CheckRecorded.KIND: f"check {payload.get('check')} of {subject}",
        ReferenceChecked.KIND: f"{payload.get('kind')} check of {subject}",
        ScaleCalibrated.KIND: f"scale {subject}",
    }
    return names.get(kind, f"illumination {subject}")
