"""Findings about the laboratory's own work: raised, answered, closed (ISO/IEC 17025:2017, 8.7)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.audit.errors import FindingError
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import FindingAnswered, FindingClosed, FindingRaised
from sieve_registry.ledger.records import Fact, facts_of_type
from sieve_registry.sieves.recording import RecordTerms, record_general
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text, read_date

_KINDS: tuple[type[EventPayload], ...] = (FindingRaised, FindingAnswered, FindingClosed)
_NUMBER = re.compile(r"(?:[Ff]-?)?0*([0-9]{1,6})", re.ASCII)
_CLAUSE = re.compile(r"[4-8](\.[0-9]{1,2}){0,4}", re.ASCII)


class FindingState(StrEnum):
    """How far a finding has come."""

    OPEN = "open"
    ANSWERED = "answered"
    CLOSED = "closed"


@dataclass(frozen=True)
class RecordedFinding:
    """A finding with its newest answer and its closing."""

    number: str
    raised: Fact[FindingRaised]
    answered: Fact[FindingAnswered] | None = None
    closed: Fact[FindingClosed] | None = None

    @property
    def state(self) -> FindingState:
        """Open until answered, answered until closed."""
        if self.closed is not None:
            return FindingState.CLOSED
        return FindingState.OPEN if self.answered is None else FindingState.ANSWERED

    @property
    def origin(self) -> str:
        """Who raised it, and from which event where it is one the program noticed."""
        stated = self.raised.payload
        by = "the program" if stated.by_program else self.raised.person
        return by if stated.cause is None else f"{by}, from event {stated.cause}"

    def late_on(self, day: date) -> bool:
        """Whether its answer is overdue on a day."""
        by = self.raised.payload.answer_by
        return self.state == FindingState.OPEN and by != "" and by < day.isoformat()


def findings_until(
    connection: Connection, until: int | None = None, day: date = date.max
) -> list[RecordedFinding]:
    """Every finding by number as of a day; `until` leaves out events after that number."""
    facts = [f for f in reader.facts(connection, _KINDS, None, until) if f.on_date <= day]
    answers = {fact.subject: fact for fact in facts_of_type(facts, FindingAnswered)}
    ends = {fact.subject: fact for fact in facts_of_type(facts, FindingClosed)}
    return [
        RecordedFinding(f.subject, f, answers.get(f.subject), ends.get(f.subject))
        for f in facts_of_type(facts, FindingRaised)
    ]


def findings(registry: Registry) -> list[RecordedFinding]:
    """Every finding, by number."""
    with registry.reading() as connection:
        return findings_until(connection)


def finding_named(registry: Registry, number: str) -> RecordedFinding:
    """A finding: `F-0001`, `f-1` and `1` all name the first. Raises `FindingError`."""
    match = _NUMBER.fullmatch(number.strip())
    wanted = f"F-{int(match[1]):04d}" if match else ""
    for finding in findings(registry):
        if finding.number == wanted:
            return finding
    reason = "does not exist: `sieveward finding list` shows all"
    raise FindingError(finding=number[:40], reason=reason)


def next_number(connection: Connection) -> str:
    """The number of the next finding."""
    return f"F-{len(findings_until(connection)) + 1:04d}"


def raise_finding(
    registry: Registry,
    text: str,
    terms: RecordTerms,
    *,
    about: str = "",
    clause: str = "",
    answer_by: str = "",
    cause: int | None = None,
) -> RecordedFinding:
    """Record a finding; it gets the next number. `cause` is the event it follows from.

    Raises `UsageError` for what is no clause, `BadTextError`, `DateRefusedError`.
    """
    if clause and not _CLAUSE.fullmatch(clause):
        raise UsageError(message=f"Write the clause as 7.8 or 6.4.13, not {clause[:20]!r}.")
    payload = FindingRaised(
        text=clean_text("finding", text, needed=True),
        about=clean_text("record", about),
        clause=clause,
        answer_by=read_date(answer_by).isoformat() if answer_by else "",
        cause=cause,
    )
    with registry.writing() as connection:
        number = next_number(connection)
        record_general(registry, connection, number, payload, terms)
    return finding_named(registry, number)


def answer_finding(
    registry: Registry, number: str, cause: str, action: str, terms: RecordTerms
) -> RecordedFinding:
    """Record the cause of a finding and what is done; a later answer replaces an earlier one.

    Raises `FindingError` for a closed finding, `BadTextError`.
    """
    payload = FindingAnswered(
        cause=clean_text("cause", cause, needed=True),
        action=clean_text("action", action, needed=True),
    )
    return _continue(registry, number, payload, terms)


def close_finding(
    registry: Registry, number: str, reason: str, terms: RecordTerms
) -> RecordedFinding:
    """Close an answered finding: `reason` is how the action was seen to be effective.

    Raises `FindingError` for a finding without an answer or already closed, `BadTextError`.
    """
    payload = FindingClosed(reason=clean_text("reason", reason, needed=True))
    return _continue(registry, number, payload, terms)


def _continue(
    registry: Registry,
    number: str,
    payload: FindingAnswered | FindingClosed,
    terms: RecordTerms,
) -> RecordedFinding:
    wanted = finding_named(registry, number).number
    with registry.writing() as connection:
        (now,) = [f for f in findings_until(connection) if f.number == wanted]
        if now.closed is not None:
            raise FindingError(finding=wanted, reason=f"was closed on {now.closed.on_date}")
        if isinstance(payload, FindingClosed) and now.answered is None:
            reason = "has no answer yet: record cause and action with `finding answer` first"
            raise FindingError(finding=wanted, reason=reason)
        record_general(registry, connection, wanted, payload, terms)
    return finding_named(registry, wanted)
