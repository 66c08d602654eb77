"""Issued reports: their numbers, which replaces which, and whether a file is the one issued.

A report is issued once under a number, with the files kept as evidence. A later report may amend
it, and a person may withdraw it; the earlier files stay and can be written again at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

from sqlalchemy import Connection

from sieve_registry.audit.errors import ReportError
from sieve_registry.errors import ReportDiffersError, RuleRefusedError
from sieve_registry.ledger.events import ReportIssued, ReportWithdrawn
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import Fact, facts_of_type
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import record_general_fact, record_with_evidence
from sieve_registry.sieves.laboratory import proof_rules
from sieve_registry.sieves.lifecycle import sign_off_demanded, signature_of
from sieve_registry.sieves.recording import EvidenceSource, RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import file_sha256
from sieve_registry.values import clean_text

_ATTEMPTS = 5  # another bench may take the same number meanwhile


class ReportState(StrEnum):
    """What became of an issued report."""

    ISSUED = "issued"
    AMENDED = "amended"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True)
class IssuedReport:
    """An issued report; `replaced_by` is the number of the report that amends it, or ""."""

    number: str
    fact: Fact[ReportIssued]
    replaced_by: str = ""
    withdrawn: Fact[ReportWithdrawn] | None = None

    @property
    def state(self) -> ReportState:
        """Whether it stands as issued."""
        if self.withdrawn is not None:
            return ReportState.WITHDRAWN
        return ReportState.AMENDED if self.replaced_by else ReportState.ISSUED

    @property
    def sentence(self) -> str:
        """Its issue and its state, for a person."""
        fact = self.fact
        text = f"Report {self.number} of check {fact.payload.check} was issued on {fact.on_date} "
        text += f"by {fact.person}"
        if self.replaced_by:
            text += f"; it is replaced by {self.replaced_by}"
        if self.withdrawn is not None:
            gone = self.withdrawn
            text += f"; withdrawn on {gone.on_date} by {gone.person}: {gone.payload.reason}"
        if self.state == ReportState.ISSUED:
            text += "; it stands"
        return f"{text}."


@dataclass(frozen=True)
class ReportDetails:
    """What a person states when a report is issued; `deviations` are from the method."""

    customer: str = ""
    place: str = ""
    deviations: str = ""
    opinion: str = ""
    amends: str = ""
    reason: str = ""


@dataclass(frozen=True)
class ReportDraft:
    """A report about to be issued: its number, its day and what is recorded of it."""

    number: str
    on_date: date
    payload: ReportIssued


class _NumberTakenError(Exception):
    """Another bench issued a report under the same number."""


def issued_reports(registry: Registry) -> list[IssuedReport]:
    """Every issued report, in the order of issue."""
    with registry.reading() as connection:
        return issued_until(connection)


def issued_until(
    connection: Connection, until: int | None = None, day: date = date.max
) -> list[IssuedReport]:
    """The same as of a day, from a connection; `until` leaves out events after that number."""
    wanted: Sequence[type[ReportIssued | ReportWithdrawn]] = (ReportIssued, ReportWithdrawn)
    facts = [f for f in reader.facts(connection, wanted, None, until) if f.on_date <= day]
    gone = {fact.subject: fact for fact in facts_of_type(facts, ReportWithdrawn)}
    issued = facts_of_type(facts, ReportIssued)
    replaced = {fact.payload.amends: fact.subject for fact in issued}
    return [
        IssuedReport(fact.subject, fact, replaced.get(fact.subject, ""), gone.get(fact.subject))
        for fact in issued
    ]


def issued_report(registry: Registry, number: str) -> IssuedReport:
    """The report of that number, upper or lower case. Raises `ReportError`."""
    wanted = number.strip().casefold()
    for report in issued_reports(registry):
        if report.number.casefold() == wanted:
            return report
    reason = "was not issued from this registry: `sieveward report --list` shows all"
    raise ReportError(report=number[:40], reason=reason)


def report_file(registry: Registry, file: EvidenceFile) -> bytes:
    """The kept file of a report, hashed again. Raises `EvidenceError`, `EvidenceAlteredError`."""
    return registry.evidence.read(file.sha256, file.extension)


def issue(
    registry: Registry,
    draft: ReportIssued,
    make_files: Callable[[ReportDraft], Sequence[EvidenceSource]],
    terms: RecordTerms,
) -> IssuedReport:
    """Issue a report under the next number of its year; `make_files` writes its files.

    Raises `ReportError` when the report it amends cannot be amended, `RuleRefusedError` for a check
    that is void or lacks the sign-off the laboratory requires.
    """
    payload = _ready(registry, draft)
    day = terms.on_date or registry.today()
    for _ in range(_ATTEMPTS):
        number = _next_number(registry, day)

        def refuse(connection: Connection, number: str = number) -> None:
            if any(report.number == number for report in issued_until(connection)):
                raise _NumberTakenError

        files = make_files(ReportDraft(number, day, payload))
        try:
            record_with_evidence(registry, number, payload, terms, files, refuse)
        except _NumberTakenError:
            continue
        return issued_report(registry, number)
    raise ReportError(report=number, reason="was issued by another bench meanwhile: issue it again")


def _ready(registry: Registry, draft: ReportIssued) -> ReportIssued:
    history = sieve_queries.get_history(registry, draft.sieve)
    check = next((check for check in history.checks if check.id == draft.check), None)
    if check is None:
        raise RuleRefusedError(sieve=draft.sieve, reason=f"check {draft.check} is void")
    if sign_off_demanded(history, registry.today()) and signature_of(history, check) is None:
        reason = f"check {check.id} is not signed off by a second person: sign it first"
        raise RuleRefusedError(sieve=draft.sieve, reason=reason)
    if draft.amends:
        _refuse_amending(issued_report(registry, draft.amends), draft)
    return draft


def _refuse_amending(old: IssuedReport, draft: ReportIssued) -> None:
    if old.replaced_by:
        reason = f"is replaced by {old.replaced_by} already: amend that"
        raise ReportError(report=old.number, reason=reason)
    if old.fact.payload.sieve != draft.sieve:
        reason = f"is of sieve {old.fact.payload.sieve!r}, not of {draft.sieve!r}"
        raise ReportError(report=old.number, reason=reason)
    clean_text("reason", draft.reason, needed=True)


def _next_number(registry: Registry, day: date) -> str:
    """The next number of the laboratory's series in that year: R-2026-0001, R-2026-0002, …"""
    series = f"{proof_rules(registry).report_prefix}-{day.year}-"
    used = [  # a number names its report in upper or lower case
        int(report.number[len(series) :])
        for report in issued_reports(registry)
        if report.number.casefold().startswith(series.casefold())
    ]
    return f"{series}{max(used, default=0) + 1:04d}"


def withdraw(registry: Registry, number: str, reason: str, terms: RecordTerms) -> IssuedReport:
    """Withdraw an issued report. Raises `ReportError`, `BadTextError` without a reason."""
    report = issued_report(registry, number)
    if report.withdrawn is not None:
        raise ReportError(report=report.number, reason="is withdrawn already")
    payload = ReportWithdrawn(reason=clean_text("reason", reason, needed=True))
    record_general_fact(registry, report.number, payload, terms)
    return issued_report(registry, report.number)


def proven_report(
    registry: Registry, number: str, *, file: Path | None = None, sha256: str = ""
) -> tuple[IssuedReport, EvidenceFile]:
    """The report and its kept file that has the hash of `file`, or the hash `sha256`.

    Without a number, the report is found by the hash. Raises `ReportError` for an unknown number,
    `ReportDiffersError` where no issued file has that hash.
    """
    found = _hash_of(file) if file is not None else sha256.strip().lower()
    known = [issued_report(registry, number)] if number else issued_reports(registry)
    for report in known:
        for kept in report.fact.payload.evidence:
            if kept.sha256 == found:
                return report, kept
    shown = file.name if file is not None else f"hash {found[:12]}…"
    raise ReportDiffersError(file=shown, what=f"report {known[0].number}" if number else "a report")


def _hash_of(file: Path) -> str:
    try:
        return file_sha256(file)
    except OSError as error:
        reason = error.strerror or "no access"
        raise ReportError(report=file.name, reason=f"cannot be read: {reason}") from error
