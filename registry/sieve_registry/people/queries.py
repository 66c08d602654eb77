"""What is known of persons, their authorisations and the laboratory's rules, on any day."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from datetime import date

from sqlalchemy import Connection

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact
from sieve_registry.people.acts import Demand
from sieve_registry.people.errors import PersonError
from sieve_registry.people.rules import (
    PEOPLE_EVENTS,
    LaboratoryRules,
    Person,
    Roster,
    roster_of,
)
from sieve_registry.store import content, reader
from sieve_registry.store.engine import Registry


def read_roster(
    connection: Connection, as_of: date | None = None, until: int | None = None
) -> Roster:
    """The persons and rules at the end of a day (None: now); `until` leaves out later events."""
    return roster_of(reader.facts(connection, PEOPLE_EVENTS, None, until), as_of)


def roster(registry: Registry, as_of: date | None = None) -> Roster:
    """The persons and rules at the end of a day (None: now)."""
    with registry.reading() as connection:
        return read_roster(connection, as_of)


def laboratory_rules(registry: Registry) -> LaboratoryRules:
    """The rules of the laboratory in force today."""
    return roster(registry).rules_on(registry.today())


def person_of(known: Roster, person_id: str) -> Person:
    """The person of an id or name. Raises `PersonError` with the nearest id."""
    person = known.named(person_id)
    if person is not None:
        return person
    ids = {name.casefold(): name for name in known.persons}
    near = [ids[name] for name in difflib.get_close_matches(person_id.casefold(), ids, n=1)]
    raise PersonError(
        reason=f"There is no person {person_id[:70]!r} in the registry",
        advice=f"did you mean {near[0]!r}?" if near else "`sieveward person list` shows all",
    )


def read_marks(
    connection: Connection,
    known: Roster,
    as_of: date,
    subject: str | None = None,
    until: int | None = None,
) -> Sequence[Fact[EventPayload]]:
    """Acts up to a day that were recorded without a valid authorisation, as marked then."""
    if all(rules.authorisations != Demand.MARK for rules in known.rules):
        return []
    facts = content.facts_with(connection, "not_authorised", subject, until)
    return [fact for fact in facts if fact.payload.not_authorised and fact.on_date <= as_of]


def marks(
    registry: Registry, as_of: date, subject: str | None = None
) -> Sequence[Fact[EventPayload]]:
    """The same for one subject (None: any), such as a sieve."""
    with registry.reading() as connection:
        return read_marks(connection, read_roster(connection), as_of, subject)
