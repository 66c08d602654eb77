"""What the records show by themselves to be wrong, and nobody raised as a finding yet (8.7.1).

|E_n| > 1    of an own check against a certificate, and of a reference check (ISO 13528)
failures     of equipment with which something was measured since its passed check

A point is closed by a finding that names its event as the cause, whatever becomes of the finding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from textwrap import shorten
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.audit.findings import (
    RecordedFinding,
    findings_until,
    next_number,
    raise_finding,
)
from sieve_registry.ledger.corrections import corrected
from sieve_registry.ledger.events import (
    CertificateRecorded,
    FindingRaised,
    RecordCorrected,
    ReferenceChecked,
)
from sieve_registry.ledger.records import Fact
from sieve_registry.quality.certificate_rules import compare
from sieve_registry.quality.equipment_lookback import lookbacks_on, record_name
from sieve_registry.sieves.certificates import certificates_of
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader, rows, writer
from sieve_registry.store.engine import Registry
from sieve_registry.values import TEXT_LENGTH

PROGRAM = "sieveward"  # who raised a finding by itself
_COMPARISON, _EQUIPMENT = "7.7.1", "6.4.9"
_MOST_NAMED = 5


@dataclass(frozen=True)
class OpenPoint:
    """A point as the finding that it would be; `event` is the record that shows it."""

    event: int
    text: str
    about: str
    clause: str

    @classmethod
    def of(cls, fact: Fact[Any], text: str, about: str, clause: str) -> OpenPoint:
        """A point that a record shows, its text as long as a finding's may be."""
        return cls(fact.seq, shorten(text, TEXT_LENGTH, placeholder=" …"), about, clause)


def open_points(registry: Registry, day: date | None = None) -> list[OpenPoint]:
    """The open points at the end of a day (today), by event."""
    with registry.reading() as connection:
        return open_points_on(connection, day or registry.today())


def open_points_on(connection: Connection, day: date, until: int | None = None) -> list[OpenPoint]:
    """The same within a transaction; `until` leaves out later events."""
    raised = frozenset(
        finding.raised.payload.cause or 0 for finding in findings_until(connection, until, day)
    )
    points = (
        *_of_certificates(connection, day, until, raised),
        *_of_references(connection, day, until),
        *_of_equipment(connection, day, until, raised),
    )
    return sorted((p for p in points if p.event not in raised), key=lambda point: point.event)


def raise_with_cause(
    registry: Registry, text: str, terms: RecordTerms, *, cause: int | None, **details: str
) -> RecordedFinding:
    """Raise a finding; of the open point of event `cause` it has what is not given.

    `details` are as of `raise_finding`. Raises `UsageError` for an event that is no open point, and
    as `raise_finding`.
    """
    if cause is not None:
        point = next((p for p in open_points(registry, terms.on_date) if p.event == cause), None)
        if point is None:
            raise UsageError(
                message=f"Event {cause} is no open point: `sieveward finding list` shows them."
            )
        text = text or point.text
        given = {name: detail for name, detail in details.items() if detail}
        details = {"about": point.about, "clause": point.clause} | given
    return raise_finding(registry, text, terms, cause=cause, **details)


def raise_by_program(registry: Registry, connection: Connection) -> None:
    """Raise every open point as a finding of the program, within a transaction that records."""
    today = registry.today()
    for point in open_points_on(connection, today):
        payload = FindingRaised(
            text=point.text,
            about=point.about,
            clause=point.clause,
            cause=point.event,
            by_program=True,
        )
        writer.append(
            connection,
            payload,
            subject=next_number(connection),
            on_date=today,
            recorded_at=registry.now(),
            person=PROGRAM,
            software=f"sieveward {writer.package_version('sieveward')}",
        )


def _of_certificates(
    connection: Connection, day: date, until: int | None, raised: frozenset[int]
) -> Iterator[OpenPoint]:
    facts = reader.facts(connection, [CertificateRecorded], None, until)
    left = (fact.subject for fact in facts if fact.seq not in raised)
    for sieve_id in dict.fromkeys(left):
        history = reader.histories(connection, sieve_id, until)[sieve_id]
        for fact in certificates_of(history, day):
            made = compare(history, fact, day)
            if made.check is None or made.satisfactory is not False:
                continue
            numbers = ", ".join(f"{part.direction} {part.e_n:+.2f}" for part in made.directions)
            stated = fact.payload
            yield OpenPoint.of(
                fact,
                f"Check {made.check.id} of {sieve_id} and certificate {stated.number} of "
                f"{stated.laboratory} disagree: E_n {numbers} (|E_n| > 1, ISO 13528)",
                made.check.id,
                _COMPARISON,
            )


def _of_references(connection: Connection, day: date, until: int | None) -> Iterator[OpenPoint]:
    facts = reader.facts(connection, [ReferenceChecked], None, until)
    made = reader.facts(connection, [RecordCorrected], None, until) if facts else []
    for fact in corrected(facts, map(rows.correction, made)):
        number = fact.payload.to_payload().get("e_n")
        if number is not None and abs(float(number)) > 1 and fact.on_date <= day:
            yield OpenPoint.of(
                fact,
                f"The {fact.payload.kind} check of {fact.subject} on {fact.on_date} "
                f"({fact.payload.material}) is unsatisfactory: E_n {float(number):+.2f} "
                "(|E_n| > 1, ISO 13528)",
                fact.subject,
                _COMPARISON,
            )


def _of_equipment(
    connection: Connection, day: date, until: int | None, raised: frozenset[int]
) -> Iterator[OpenPoint]:
    for review in lookbacks_on(connection, day, until, raised):
        if review.records:
            names = [record_name(fact) for fact in review.records[:_MOST_NAMED]]
            rest = len(review.records) - len(names)
            more = f" and {rest} more" if rest else ""
            yield OpenPoint.of(
                review.cause,
                f"{review.reason}; measured with it {review.span}: {', '.join(names)}{more}",
                review.piece.id,
                _EQUIPMENT,
            )
