"""An audit's tables of persons: who worked here that day, what each might do, and marked acts."""

from __future__ import annotations

from sieve_registry.audit.table import AuditTable, Columns, Scope, table
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact
from sieve_registry.people import queries
from sieve_registry.people.rules import Authorisation, Person

PEOPLE_TABLES = ("people", "authorisations", "unauthorised")

_MARK_COLUMNS: Columns[Fact[EventPayload]] = (
    ("event", lambda f: str(f.seq)),
    ("what", lambda f: f.kind),
    ("subject", lambda f: f.subject),
    ("date", lambda f: str(f.on_date)),
    ("by", lambda f: f.person),
    ("why not authorised", lambda f: f.payload.not_authorised),
)
_GIVEN_COLUMNS: Columns[tuple[Person, Authorisation]] = (
    ("person", lambda g: g[0].id),
    ("act", lambda g: g[1].act),
    ("from", lambda g: str(g[1].since)),
    ("to", lambda g: str(g[1].until or "")),
    ("basis", lambda g: g[1].basis),
    ("given by", lambda g: g[1].given_by),
    ("given on", lambda g: str(g[1].given_on)),
    ("withdrawn", lambda g: _withdrawn(g[1])),
)


def people_tables(scope: Scope) -> list[AuditTable]:
    """Persons, authorisations and marked acts of the day; none where no persons are kept."""
    roster = queries.read_roster(scope.connection, scope.as_of, scope.until)
    if not roster.persons:
        return []
    persons: Columns[Person] = (
        ("person", lambda p: p.id),
        ("name", lambda p: p.name),
        ("role", lambda p: p.role),
        ("competence", lambda p: p.competence),
        ("added on", lambda p: str(p.added_on)),
        ("left", lambda p: str(p.left.on_date) if p.left else ""),
        ("authorised that day", lambda p: ", ".join(p.acts_on(scope.as_of))),
    )
    known = list(roster.persons.values())
    marked = queries.read_marks(scope.connection, roster, scope.as_of, until=scope.until)
    given = ((person, given) for person in known for given in person.authorisations)
    return [
        table("people", "Persons", persons, known),
        table("authorisations", "Authorisations", _GIVEN_COLUMNS, given),
        table("unauthorised", "Acts without authorisation", _MARK_COLUMNS, marked),
    ]


def _withdrawn(given: Authorisation) -> str:
    end = given.withdrawn
    return "" if end is None else f"{end.on_date} by {end.person}: {end.payload.reason}"
