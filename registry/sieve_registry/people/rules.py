"""Who may do what on which day, as pure rules over the records of persons.

ISO/IEC 17025:2017, 6.2.5 and 6.2.6: persons are authorised for each act, from a day on; 7.8.1.2:
results are authorised before they are released.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import cast

from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import Fact, Finding
from sieve_registry.people.acts import Act, Demand

PEOPLE_EVENTS: tuple[type[EventPayload], ...] = (
    events.PersonAdded, events.PersonChanged, events.PersonLeft, events.AuthorisationGiven,
    events.AuthorisationWithdrawn, events.PasswordSet, events.LaboratoryRulesSet,
)  # fmt: skip


# The act that each kind of event is. What is not named here needs no authorisation: uses, stacks,
# cleaning, new cloth, a finding raised, and quarantine: anybody may take a sieve out of use.
ACTS: Mapping[type[EventPayload], Act] = {
    events.CheckRecorded: Act.CHECK,
    events.ReferenceChecked: Act.CHECK,
    events.CertificateRecorded: Act.CHECK,
    events.CheckSigned: Act.SIGN,
    events.HeadSigned: Act.SIGN,
    events.HeadStamped: Act.SIGN,
    events.SieveRetired: Act.RETIRE,
    events.ArtefactAdded: Act.CALIBRATE,
    events.DeviceAdded: Act.CALIBRATE,
    events.ScaleCalibrated: Act.CALIBRATE,
    events.IlluminationMeasured: Act.CALIBRATE,
    events.ScaleChainCorrected: Act.CALIBRATE,
    events.EquipmentAdded: Act.CALIBRATE,
    events.EquipmentEdited: Act.CALIBRATE,
    events.EquipmentLogged: Act.CALIBRATE,
    events.SieveReturned: Act.RELEASE,
    events.ActionDecided: Act.RELEASE,
    events.ResultReviewed: Act.RELEASE,
    events.ReportIssued: Act.RELEASE,
    events.ReportWithdrawn: Act.RELEASE,
    events.SieveAdded: Act.MANAGE,
    events.SieveEdited: Act.MANAGE,
    events.IntervalDecided: Act.MANAGE,
    events.DecisionRuleSet: Act.MANAGE,
    events.RepeatabilityStudied: Act.MANAGE,
    events.RecordCorrected: Act.MANAGE,
    events.RecordsImported: Act.MANAGE,
    events.LossAccepted: Act.MANAGE,
    events.EnvironmentLimitsSet: Act.MANAGE,
    events.ValidationRecorded: Act.MANAGE,
    events.FindingAnswered: Act.MANAGE,
    events.FindingClosed: Act.MANAGE,
    events.ProofRulesSet: Act.MANAGE,
    events.LaboratoryRulesSet: Act.MANAGE,
    events.PersonAdded: Act.MANAGE,
    events.PersonChanged: Act.MANAGE,
    events.PersonLeft: Act.MANAGE,
    events.AuthorisationGiven: Act.MANAGE,
    events.AuthorisationWithdrawn: Act.MANAGE,
}


@dataclass(frozen=True)
class LaboratoryRules:
    """The rules of the laboratory on a day; `since` None: nobody set any."""

    sign_off: bool = False
    authorisations: Demand = Demand.OFF
    sign_in: bool = False
    since: date | None = None


@dataclass(frozen=True)
class Authorisation:
    """What a person may do from a first to a last day (None: until withdrawn), and who said so."""

    act: Act
    since: date
    until: date | None
    basis: str
    given_by: str
    given_on: date
    seq: int
    withdrawn: Fact[events.AuthorisationWithdrawn] | None = None

    def holds(self, day: date) -> bool:
        """Whether it is valid on a day; the day of a withdrawal is none."""
        ended = self.withdrawn is not None and self.withdrawn.on_date <= day
        return self.since <= day and (self.until is None or day <= self.until) and not ended


@dataclass(frozen=True)
class Person:
    """A person of the laboratory; `names` are all names held, the present name first."""

    id: str
    name: str
    role: str
    competence: str
    added_on: date
    by: str
    names: tuple[str, ...]
    authorisations: tuple[Authorisation, ...] = ()
    left: Fact[events.PersonLeft] | None = None
    password_event: int = 0  # the event that set the password last, 0 without one

    def present(self, day: date) -> bool:
        """Whether the person works here on a day."""
        return self.left is None or day < self.left.on_date

    def may(self, act: Act, day: date) -> bool:
        """Whether the person is here and authorised for an act on a day."""
        return self.present(day) and any(a.holds(day) for a in self.held(act))

    def held(self, act: Act) -> list[Authorisation]:
        """Every authorisation for an act, past ones included."""
        return [given for given in self.authorisations if given.act == act]

    def acts_on(self, day: date) -> tuple[Act, ...]:
        """The acts the person may do on a day."""
        return tuple(act for act in Act if self.may(act, day))


@dataclass(frozen=True)
class Roster:
    """All persons ever added, by id, and the rules of the laboratory by their first day."""

    persons: Mapping[str, Person]
    rules: tuple[LaboratoryRules, ...]

    def rules_on(self, day: date) -> LaboratoryRules:
        """The rules in force on a day."""
        known = [rules for rules in self.rules if rules.since is not None and rules.since <= day]
        return known[-1] if known else LaboratoryRules()

    def named(self, text: str) -> Person | None:
        """The person of that id or name, present or earlier, in any capitals; None if unknown."""
        wanted = _folded(text)
        by_id = next((p for p in self.persons.values() if _folded(p.id) == wanted), None)
        if by_id is not None:
            return by_id
        return next((p for p in self.persons.values() if wanted in map(_folded, p.names)), None)

    def managers(self, day: date) -> list[Person]:
        """The persons who may manage on a day."""
        return [person for person in self.persons.values() if person.may(Act.MANAGE, day)]

    def objection(self, act: Act, name: str, days: Iterable[date]) -> str:
        """Why a person may not do an act on all of the days; "" when nothing objects."""
        person = self.named(name)
        if person is None:
            return f"{name} is not a recorded person of the laboratory"
        for day in days:
            if person.left is not None and not person.present(day):
                return f"{person.name} left on {person.left.on_date}"
            if not person.may(act, day):
                return f"{person.name} has no authorisation to {act} on {day}{_last(person, act)}"
        return ""


def _last(person: Person, act: Act) -> str:
    """How the last authorisation for an act ended, for the end of a sentence."""
    held = person.held(act)
    if not held:
        return ""
    last = held[-1]
    if last.withdrawn is not None:
        by, day = last.withdrawn.person, last.withdrawn.on_date
        return f" (withdrawn on {day} by {by}: {last.withdrawn.payload.reason})"
    end = "" if last.until is None else f" to {last.until}"
    return f" (given from {last.since}{end})"


def roster_of(facts: Iterable[Fact[EventPayload]], as_of: date | None = None) -> Roster:
    """The persons and rules that the facts tell of, up to the end of a day (None: all)."""
    persons: dict[str, Person] = {}
    rules: list[LaboratoryRules] = []
    known = [fact for fact in facts if as_of is None or fact.on_date <= as_of]
    for fact in sorted(known, key=_order):
        match fact.payload:
            case events.LaboratoryRulesSet() as set_:
                demand = Demand(set_.authorisations)
                rules.append(LaboratoryRules(set_.sign_off, demand, set_.sign_in, fact.on_date))
            case events.PersonAdded() as new:
                persons[fact.subject] = Person(
                    fact.subject, new.name, new.role, new.competence, fact.on_date, fact.person,
                    (new.name,),
                )  # fmt: skip
            case _ if fact.subject in persons:
                persons[fact.subject] = _changed(persons[fact.subject], fact)
    rules.sort(key=lambda rule: rule.since or date.min)  # of one day, the last recorded counts
    return Roster(persons, tuple(rules))


def _order(fact: Fact[EventPayload]) -> tuple[date, int]:
    """Changes of persons count in the order of their days, after all else in that of recording."""
    return fact.on_date if isinstance(fact.payload, events.PersonChanged) else date.min, fact.seq


def _changed(person: Person, fact: Fact[EventPayload]) -> Person:
    match fact.payload:
        case events.PersonChanged() as change:
            name = person.name if change.name is None else change.name
            return replace(
                person,
                name=name,
                role=person.role if change.role is None else change.role,
                competence=person.competence if change.competence is None else change.competence,
                names=(name, *(other for other in person.names if other != name)),
            )
        case events.PersonLeft():
            return replace(person, left=cast("Fact[events.PersonLeft]", fact))
        case events.AuthorisationGiven() as given:
            made = Authorisation(
                Act(given.act), given.since, given.until, given.basis, fact.person, fact.on_date,
                fact.seq,
            )  # fmt: skip
            return replace(person, authorisations=(*person.authorisations, made))
        case events.AuthorisationWithdrawn():
            withdrawn = cast("Fact[events.AuthorisationWithdrawn]", fact)
            after = tuple(
                replace(given, withdrawn=withdrawn) if _ends(given, withdrawn) else given
                for given in person.authorisations
            )
            return replace(person, authorisations=after)
        case events.PasswordSet():
            return replace(person, password_event=fact.seq)
    return person


def _ends(given: Authorisation, end: Fact[events.AuthorisationWithdrawn]) -> bool:
    """Whether a withdrawal ends an authorisation given before."""
    lasts = given.until is None or given.until >= end.on_date
    return given.act == end.payload.act and given.withdrawn is None and lasts


def mark_findings(marked: Iterable[Fact[EventPayload]]) -> list[Finding]:
    """A finding for each act that was recorded without a valid authorisation."""
    return [
        Finding("authorisation", f"{fact.kind} of {fact.on_date}: {fact.payload.not_authorised}",
                fact.subject)
        for fact in marked
    ]  # fmt: skip


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())
