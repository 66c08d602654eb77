"""Facts: events without a table of their own, written and read back with their typed payloads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.corrections import corrected
from sieve_registry.ledger.events import RecordCorrected
from sieve_registry.ledger.records import Event, Fact
from sieve_registry.sieves.recording import RecordTerms, record_general, recording
from sieve_registry.store import reader, rows
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id

_Payload = TypeVar("_Payload", bound=EventPayload)


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
