"""Recording persons, what they may do, and the laboratory's rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from sieve_inspect.errors import UsageError
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Event
from sieve_registry.people import queries
from sieve_registry.people.acts import Act, Demand
from sieve_registry.people.errors import PersonError
from sieve_registry.people.recording import RecordTerms, person, record_general
from sieve_registry.people.rules import LaboratoryRules, Person, Roster
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id, clean_text

_KEEP_MANAGER = (
    "authorise another person to manage first, or set the laboratory's rules with "
    "`sieveward person rules`"
)


@dataclass(frozen=True)
class NewPerson:
    """A person to be added; `role` and `competence` in the laboratory's words."""

    id: str
    name: str
    role: str = ""
    competence: str = ""


def add_person(registry: Registry, new: NewPerson, terms: RecordTerms) -> Person:
    """Add a person. Raises `PersonError` where the id or name is another person's."""
    person_id = clean_id(new.id, "person's id")
    payload = events.PersonAdded(
        name=clean_text("name", new.name, needed=True),
        role=clean_text("role", new.role),
        competence=clean_text("competence", new.competence),
    )
    with registry.writing() as connection:
        known = queries.read_roster(connection)
        for text in (person_id, payload.name):
            _refuse_taken(known, text, None)
        record_general(registry, connection, person_id, payload, terms)
        return queries.read_roster(connection).persons[person_id]


def edit_person(
    registry: Registry,
    person_id: str,
    terms: RecordTerms,
    *,
    name: str | None = None,
    role: str | None = None,
    competence: str | None = None,
) -> Person:
    """Change name, role or competence from a day on; None leaves a thing as it is.

    Earlier records keep the earlier name. Raises `PersonError`, `UsageError`.
    """
    if (name, role, competence) == (None,) * 3:
        raise UsageError(message="Nothing to change was given: see `sieveward person edit --help`.")
    payload = events.PersonChanged(
        name=None if name is None else clean_text("name", name, needed=True),
        role=None if role is None else clean_text("role", role),
        competence=None if competence is None else clean_text("competence", competence),
    )

    def allowed(known: Roster, person: Person) -> None:
        if payload.name is not None:
            _refuse_taken(known, payload.name, person)

    return _recorded(registry, person_id, payload, terms, allowed)


def person_left(registry: Registry, person_id: str, reason: str, terms: RecordTerms) -> Person:
    """Record that a person no longer works here from a day on; earlier acts stay.

    Raises `PersonError` for a person who left before, and for the last who may manage.
    """
    today = registry.today()

    def allowed(known: Roster, person: Person) -> None:
        _refuse_left(person, today)
        _refuse_last_manager(known, person, today)

    payload = events.PersonLeft(reason=clean_text("reason", reason))
    return _recorded(registry, person_id, payload, terms, allowed)


def authorise(
    registry: Registry,
    person_id: str,
    act: Act,
    terms: RecordTerms,
    *,
    since: date | None = None,
    until: date | None = None,
    basis: str = "",
) -> Person:
    """Authorise a person for an act from a day (today) to a last day (None: until withdrawn).

    `basis` is what it rests on, such as a training. Raises `PersonError` for a person who left,
    for days in the wrong order, and for an authorisation to manage that would end by itself.
    """
    today = registry.today()
    first = since or terms.on_date or today
    payload = events.AuthorisationGiven(
        act=act, since=first, until=until, basis=clean_text("basis", basis)
    )

    def allowed(_known: Roster, person: Person) -> None:
        _refuse_left(person, today)
        if until is not None and until < first:
            raise PersonError(
                reason=f"An authorisation from {first} cannot end on {until}",
                advice="correct one of the days",
            )
        if until is not None and act == Act.MANAGE:
            raise PersonError(
                reason="The authorisation to manage has no last day, or nobody could renew it",
                advice="leave --until out, and withdraw it when it ends",
            )

    return _recorded(registry, person_id, payload, terms, allowed)


def withdraw(
    registry: Registry, person_id: str, act: Act, reason: str, terms: RecordTerms
) -> Person:
    """Withdraw a person's authorisation for an act from a day on, with the reason.

    Raises `PersonError` where there is none, and for the last who may manage.
    """
    today = registry.today()
    payload = events.AuthorisationWithdrawn(
        act=act, reason=clean_text("reason", reason, needed=True)
    )

    def allowed(known: Roster, person: Person) -> None:
        day = terms.on_date or today
        valid = [a for a in person.held(act) if a.withdrawn is None and (a.until or day) >= day]
        if not valid:
            raise PersonError(
                reason=f"{person.name} has no authorisation to {act} on {day}",
                advice=f"`sieveward person show {person.id}` lists those given",
            )
        if act == Act.MANAGE:
            _refuse_last_manager(known, person, today)

    return _recorded(registry, person_id, payload, terms, allowed)


def set_rules(
    registry: Registry,
    terms: RecordTerms,
    *,
    sign_off: bool | None = None,
    authorisations: Demand | None = None,
    sign_in: bool | None = None,
) -> Event:
    """Set rules of the laboratory from a day on; None leaves a rule as it is.

    Raises `PersonError` for a demand that nobody could meet.
    """
    with registry.writing() as connection:
        known = queries.read_roster(connection)
        day = terms.on_date or registry.today()
        now = known.rules_on(day)
        wanted = LaboratoryRules(
            now.sign_off if sign_off is None else sign_off,
            now.authorisations if authorisations is None else authorisations,
            now.sign_in if sign_in is None else sign_in,
        )
        setter = known.named(person(terms.by))
        _refuse_unmanageable(known, wanted, now, setter, registry.today())
        payload = events.LaboratoryRulesSet(
            sign_off=wanted.sign_off, authorisations=wanted.authorisations, sign_in=wanted.sign_in
        )
        return record_general(registry, connection, "laboratory", payload, terms)


def _refuse_unmanageable(
    known: Roster,
    wanted: LaboratoryRules,
    now: LaboratoryRules,
    setter: Person | None,
    today: date,
) -> None:
    """Refuse a demand that nobody could take back."""
    managers = known.managers(today)
    demanding = wanted.authorisations == Demand.DEMAND != now.authorisations
    if demanding and setter not in managers:
        raise PersonError(
            reason="Only a person authorised to manage may demand authorisations",
            advice="first sieveward person authorise ID manage, then set it with --by ID",
        )
    signing_in = wanted.sign_in and not now.sign_in
    if signing_in and not any(person.password_event for person in managers):
        raise PersonError(
            reason="Sign-in cannot be demanded before a person authorised to manage has a password",
            advice="first sieveward person authorise ID manage, then sieveward person password ID",
        )


def _recorded(
    registry: Registry,
    person_id: str,
    payload: EventPayload,
    terms: RecordTerms,
    allowed: Callable[[Roster, Person], None],
) -> Person:
    """Record an event about a person unless `allowed` raises; the person after it."""
    with registry.writing() as connection:
        known = queries.read_roster(connection)
        person = queries.person_of(known, person_id)
        allowed(known, person)
        record_general(registry, connection, person.id, payload, terms)
        return queries.read_roster(connection).persons[person.id]


def _refuse_taken(known: Roster, text: str, own: Person | None) -> None:
    other = known.named(text)
    if other is not None and other != own:
        raise PersonError(
            reason=f"{text!r} is the id or a name of {other.name} ({other.id}) already",
            advice="choose another, such as one with a second initial",
        )


def _refuse_left(person: Person, today: date) -> None:
    if person.left is not None and not person.present(today):
        raise PersonError(
            reason=f"{person.name} left on {person.left.on_date}",
            advice="add a person who returns under a new id and name, such as with the year",
        )


def _refuse_last_manager(known: Roster, person: Person, today: date) -> None:
    """Refuse to leave a laboratory that demands something without anybody to manage it."""
    rules = known.rules_on(today)
    others = [other for other in known.managers(today) if other != person]
    if rules.sign_in:
        others = [other for other in others if other.password_event]
    demanded = rules.authorisations == Demand.DEMAND or rules.sign_in
    if demanded and not others and person.may(Act.MANAGE, today):
        raise PersonError(
            reason=f"{person.name} is the last who can manage here", advice=_KEEP_MANAGER
        )
