"""Events of what is shown to others: issued reports, validation, findings, time stamps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sieve_registry.ledger.codec import EventPayload, optional
from sieve_registry.ledger.figures import EvidenceFile


@dataclass(frozen=True, kw_only=True)
class ReportIssued(EventPayload, kind="report issued", noun="the report"):
    """A report of a check as it was given out: its subject is its number, its files are kept.

    `amends` is the number of the report it replaces and `reason` why, both "" in a first report.
    """

    check: str
    sieve: str
    laboratory: str
    address: str
    customer: str
    place: str
    environment: str
    deviations: tuple[str, ...]
    opinion: str
    amends: str = optional("")
    reason: str = optional("")
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReportWithdrawn(EventPayload, kind="report withdrawn", noun="the withdrawal"):
    """An issued report (its subject) that must not be relied on any more."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class ValidationRecorded(EventPayload, kind="validation recorded", noun="the validation"):
    """The software tried on cloth of known truth on one computer; the table is its evidence.

    `software` is what checks record as `measured_with`; `quick` tried a part of the rows only.
    """

    version: str
    software: Mapping[str, str]
    platform: str
    quick: bool
    rows: int
    failed: tuple[str, ...]
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FindingRaised(EventPayload, kind="finding raised", noun="the finding", version=2):
    """Work that does not conform, or a weakness; `about` names a record, `clause` a requirement.

    `cause` is the event it follows from, where it is one the program noticed; `by_program` that the
    program raised it, as the laboratory demands.
    """

    text: str
    about: str
    clause: str
    answer_by: str = optional("")
    cause: int | None = optional(None, since=2)
    by_program: bool = optional(False, since=2)


@dataclass(frozen=True, kw_only=True)
class FindingAnswered(EventPayload, kind="finding answered", noun="the answer"):
    """Its cause and what is done about it."""

    cause: str
    action: str


@dataclass(frozen=True, kw_only=True)
class FindingClosed(EventPayload, kind="finding closed", noun="the closing"):
    """The action was effective, as seen by a person."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class HeadStamped(EventPayload, kind="head stamped", noun="the time stamp"):
    """A time stamp token (RFC 3161) of the hash of an earlier event; the answer is evidence.

    `stamped_at` is the authority's time (UTC), `certified` whether its signature was verified
    against a certificate that is kept too.
    """

    events: int
    head: str
    stamped_at: str
    authority: str
    serial: str
    policy: str
    certified: bool
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ProofRulesSet(EventPayload, kind="proof rules set", noun="the rule", version=2):
    """What the laboratory requires; None leaves a rule as it was.

    `report_prefix` begins the numbers of issued reports, `validated` warns before software that was
    not validated is used, `keep_years` is how long records are kept at least (0: no period),
    `raise_findings` has the program raise a finding of what it notices.
    """

    report_prefix: str | None = None
    validated: bool | None = None
    keep_years: int | None = None
    raise_findings: bool | None = optional(None, since=2)
