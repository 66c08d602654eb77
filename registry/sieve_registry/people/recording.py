"""In whose name something is recorded: the person, whether entitled to it, and the event itself.

Every event a person makes is appended here and nowhere else, whichever face it comes from.
"""

from __future__ import annotations

import getpass
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import Connection

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import PasswordSet
from sieve_registry.ledger.records import Event
from sieve_registry.people import queries
from sieve_registry.people.acts import Act, Demand
from sieve_registry.people.errors import NotAuthorisedError, SignInError
from sieve_registry.people.rules import ACTS, PEOPLE_EVENTS, Roster
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.schema import WRITER_INFO
from sieve_registry.store.writer import package_version
from sieve_registry.values import clean_text, refuse_future

_ROSTER = "roster"  # where a writer keeps the persons while its transaction lasts


@dataclass(frozen=True)
class RecordTerms:
    """The terms of a record: its day (default today), the person, and the reason for late entry."""

    on_date: date | None = None
    by: str | None = None
    late_reason: str = ""


@dataclass(frozen=True)
class LedgerContext:
    """A writing transaction in which events about one subject are appended for one day."""

    registry: Registry
    connection: Connection
    subject: str
    day: date
    late_reason: str = ""

    def append(self, payload: EventPayload, by: str | None) -> Event:
        """Append an event to the ledger.

        Raises `NotAuthorisedError` or `SignInError` where the laboratory demands what `by` lacks.
        """
        name, objection = _judged(self.registry, self.connection, payload, by, self.day)
        event = writer.append(
            self.connection,
            replace(payload, not_authorised=objection) if objection else payload,
            subject=self.subject,
            on_date=self.day,
            recorded_at=self.registry.now(),
            person=name,
            software=f"sieveward {package_version('sieveward')}",
            late_reason=self.late_reason,
        )
        if isinstance(payload, PEOPLE_EVENTS):
            self.connection.info[WRITER_INFO].pop(_ROSTER, None)
        return event


def record_general(
    registry: Registry,
    connection: Connection,
    subject: str,
    payload: EventPayload,
    terms: RecordTerms,
) -> Event:
    """Append an event that is about no single sieve. Raises `DateRefusedError`, and as `append`."""
    day = terms.on_date or registry.today()
    refuse_future(day, registry.today(), "this")
    late = clean_text("reason", terms.late_reason)
    return LedgerContext(registry, connection, subject, day, late).append(payload, terms.by)


def refuse_unentitled(registry: Registry, kind: type[EventPayload], terms: RecordTerms) -> None:
    """Raise what recording an event of that kind would raise for its person: before long work."""
    today, roster = registry.today(), queries.roster(registry)
    name = _name(roster, registry.signed_in(), kind, terms.by, today)
    _objection(roster, kind, name, terms.on_date or today, today)


def names_of(connection: Connection, by: str | None) -> tuple[str, ...]:
    """The name in which a person's acts are recorded, then the person's id and earlier names."""
    name = person(by)
    known = _roster(connection).named(name)
    return (name,) if known is None else (known.name, known.id, *known.names[1:])


def person(by: str | None) -> str:
    """The person as typed, or the login name. Raises `BadTextError`."""
    return clean_text("person", by or login_name(), needed=True)


def login_name() -> str:
    """The login name, or "unknown" where a system has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _judged(
    registry: Registry, connection: Connection, payload: EventPayload, by: str | None, day: date
) -> tuple[str, str]:
    """The name to record, and the objection to mark the event with. Raises as `append`."""
    roster, kind, today = _roster(connection), type(payload), registry.today()
    if getattr(payload, "imported", None) is not None:
        # A row of an older table names who did it then; the import itself is judged.
        known = roster.named(person(by))
        return (person(by) if known is None else known.name), ""
    signed_in = connection.info[WRITER_INFO]["signed_in"]
    name = _name(roster, signed_in, kind, by, today)
    return name, _objection(roster, kind, name, day, today)


def _name(
    roster: Roster, signed_in: str, kind: type[EventPayload], by: str | None, today: date
) -> str:
    """The name to record: the person's own spelling. Raises `SignInError`."""
    name = person(by)
    known = roster.named(name)
    if known is not None:
        name = known.name
    if not roster.rules_on(today).sign_in or kind is PasswordSet:
        return name
    if known is None or roster.named(signed_in) != known:
        raise SignInError(
            reason=f"Nothing was recorded: {name} has not signed in, as this laboratory demands",
            advice="sign in on the bench page, or give the password in a terminal or in "
            "SIEVEWARD_PASSWORD",
        )
    return name


def _objection(roster: Roster, kind: type[EventPayload], name: str, day: date, today: date) -> str:
    """The objection to mark an act of a day with, "" for none. Raises `NotAuthorisedError`.

    What ended meanwhile cannot be dated back: the authorisation has to hold today too. To manage
    is done today, whatever day it is for.
    """
    act, demand = ACTS.get(kind), roster.rules_on(today).authorisations
    if act is None or demand == Demand.OFF:
        return ""
    objection = roster.objection(act, name, (today,) if act == Act.MANAGE else (day, today))
    if objection and demand == Demand.DEMAND:
        raise NotAuthorisedError(reason=objection, act=act)
    return objection


def _roster(connection: Connection) -> Roster:
    """The persons and rules, read once in a writing transaction."""
    kept = connection.info.get(WRITER_INFO, {})
    if _ROSTER not in kept:
        kept[_ROSTER] = queries.read_roster(connection)
    known = kept[_ROSTER]
    assert isinstance(known, Roster)
    return known
