"""Validation of the software as a record, and whether a check's software was validated.

Software is validated on a computer when rows of known truth held there with the same version, the
same source and the same libraries (ISO/IEC 17025:2017, 7.11.2).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from sieve_registry.ledger.events import CheckRecorded, ValidationRecorded
from sieve_registry.ledger.records import Event, Fact
from sieve_registry.sieves.facts import facts_of, record_with_evidence
from sieve_registry.sieves.laboratory import proof_rules
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.store.writer import package_version, software

if TYPE_CHECKING:
    from sieve_inspect.validation import Report

SUBJECT = "software"


class Validated(StrEnum):
    """Whether a check's software was validated on its computer."""

    BEFORE = "before"
    SINCE = "since"
    FAILED = "failed"
    NO = "no"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class SoftwareStanding:
    """The state of one software on one computer, and the validation it rests on, if any."""

    state: Validated
    fact: Fact[ValidationRecorded] | None = None

    @property
    def sentence(self) -> str:
        """The state for a person."""
        if self.fact is None:
            return _WITHOUT[self.state]
        kept = self.fact.payload
        part = "a quick validation" if kept.quick else "validation"
        held = f"{kept.rows - len(kept.failed)} of {kept.rows} rows held"
        text = f"{part} on that computer, {self.fact.on_date}, {self.fact.person}: {held}"
        if self.state == Validated.SINCE:
            return f"validated only since the check: {text}"
        return f"did not hold: {text}" if self.state == Validated.FAILED else text


_WITHOUT = {
    Validated.NO: "not validated on that computer",
    Validated.UNKNOWN: "not known: the check does not record computer and source",
}


def record_validation(
    registry: Registry, report: Report, files: Mapping[str, str], terms: RecordTerms
) -> Event:
    """Record a validation made on this computer, with its table as evidence."""
    payload = ValidationRecorded(
        version=package_version("sieveward"),
        software=software(),
        platform=report.platform,
        quick=report.quick,
        rows=len(report.rows),
        failed=tuple(f"{row.group}, {row.name}" for row in report.rows if not row.holds),
    )
    kept = [(text.encode(), "validation", name) for name, text in files.items()]
    return record_with_evidence(registry, SUBJECT, payload, terms, kept)


def validations(registry: Registry) -> list[Fact[ValidationRecorded]]:
    """Every recorded validation, in the order of recording."""
    return facts_of(registry, None, [ValidationRecorded])


def standing(
    known: Sequence[Fact[ValidationRecorded]],
    measured_with: Mapping[str, Any] | None,
    seq: int | None = None,
) -> SoftwareStanding:
    """Whether software was validated, at event `seq` (None: now).

    The newest validation before the event counts, else the first since; one that did not hold
    does not validate.
    """
    used = measured_with or {}
    if "code" not in used or "computer" not in used:
        return SoftwareStanding(Validated.UNKNOWN)
    same = [fact for fact in known if fact.payload.software == used]
    before = [fact for fact in same if seq is None or fact.seq < seq]
    if before:
        state = Validated.FAILED if before[-1].payload.failed else Validated.BEFORE
        return SoftwareStanding(state, before[-1])
    held = [fact for fact in same if not fact.payload.failed]
    return SoftwareStanding(Validated.SINCE, held[0]) if held else SoftwareStanding(Validated.NO)


def validated_checks(registry: Registry, sieve_id: str | None) -> dict[str, SoftwareStanding]:
    """By the number of each check of a sieve (None: of all): whether its software was validated."""
    known = validations(registry)
    return {
        fact.payload.check: standing(known, fact.payload.measured_with, fact.seq)
        for fact in facts_of(registry, sieve_id, [CheckRecorded])
    }


def caution(registry: Registry) -> str:
    """What is wrong with the software of this computer, "" where it may be used as it is.

    Only where the laboratory requires validated software (`sieveward laboratory`).
    """
    if not proof_rules(registry).validated:
        return ""
    now = standing(validations(registry), software())
    if now.state == Validated.BEFORE:
        return ""
    version = package_version("sieveward")
    why = "did not pass its validation" if now.fact is not None else "is not validated"
    return f"sieveward {version} {why} on this computer: run `sieveward validate --record`"
