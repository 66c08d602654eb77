"""Facts: events without a table of their own, written and read back with their typed payloads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from sqlalchemy import Connection

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.corrections import corrected
from sieve_registry.ledger.events import (
    ArtefactAdded,
    DeviceAdded,
    EquipmentAdded,
    EquipmentLogged,
    HeadStamped,
    IlluminationMeasured,
    RecordCorrected,
    ReportIssued,
    ScaleCalibrated,
    ValidationRecorded,
)
from sieve_registry.ledger.records import Event, Fact
from sieve_registry.sieves.recording import (
    EvidenceSource,
    RecordTerms,
    record_general,
    recording,
    staged_evidence,
)
from sieve_registry.store import reader, rows, writer
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id

_Payload = TypeVar("_Payload", bound=EventPayload)
_WithEvidence = (
    ArtefactAdded
    | DeviceAdded
    | ScaleCalibrated
    | IlluminationMeasured
    | EquipmentAdded
    | EquipmentLogged
    | ReportIssued
    | ValidationRecorded
    | HeadStamped
)


def facts_of(
    registry: Registry, subject: str | None, wanted: Sequence[type[_Payload]]
) -> list[Fact[_Payload]]:
    """Facts of the wanted types about one subject (None: any), in the order of recording."""
    with registry.reading() as connection:
        return reader.facts(connection, wanted, subject)


def current_facts_of(
    registry: Registry, sieve_id: str | None, wanted: Sequence[type[_Payload]]
) -> list[Fact[_Payload]]:
    """The same about a sieve (None: any) as corrected, void ones left out."""
    with registry.reading() as connection:
        facts = reader.facts(connection, wanted, sieve_id)
        made = reader.facts(connection, [RecordCorrected], sieve_id) if facts else []
        return corrected(facts, map(rows.correction, made))


def record_fact(
    registry: Registry, sieve_id: str, payload: EventPayload, terms: RecordTerms
) -> Event:
    """Record a fact about a sieve. Raises `UnknownSieveError` and what the lifecycle refuses."""
    with recording(registry, sieve_id, type(payload), terms) as context:
        return context.append(payload, terms.by)


def record_general_fact(
    registry: Registry, subject: str, payload: EventPayload, terms: RecordTerms
) -> Event:
    """Record a fact that is about no single sieve, such as a study of a procedure."""
    name = clean_id(subject)
    with registry.writing() as connection:
        return record_general(registry, connection, name, payload, terms)


def record_with_evidence(
    registry: Registry,
    subject: str,
    payload: _WithEvidence,
    terms: RecordTerms,
    files: Sequence[EvidenceSource] = (),
    unless: Callable[[Connection], None] = lambda _: None,
) -> Event:
    """Record a fact that is about no single sieve together with its evidence files.

    `unless` checks the registry first and raises objections.
    """
    with staged_evidence(registry, files) as staged, registry.writing() as connection:
        unless(connection)
        with writer.placing(connection, registry.evidence, staged) as kept:
            proven = replace(payload, evidence=tuple(kept))
            return record_general(registry, connection, subject, proven, terms)
