"""An audit by clause of ISO/IEC 17025:2017: what the registry holds for each, and what is open.

Numbers are those of the standard; titles are our own short words for its subjects. A clause that
the registry does not concern is named so, for a laboratory to answer it from elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import func, select

from sieve_registry.audit.findings import FindingState, findings_until
from sieve_registry.audit.table import AuditTable, Scope
from sieve_registry.ledger import events
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.store import schema

COLUMNS = ("clause", "subject", "held here", "records", "newest", "open findings", "see")
NOT_HERE = "not kept in this registry"


@dataclass(frozen=True)
class Clause:
    """A clause: its number, our words for its subject, kinds of events and tables that answer it.

    `note` is what answers it beside events; without kinds, tables and note it is not concerned.
    """

    number: str
    subject: str
    kinds: Sequence[type[EventPayload]] = ()
    tables: Sequence[str] = ()
    note: str = ""


# The clauses from 6.2 to 8.9, each with the records that answer it.
CLAUSES: tuple[Clause, ...] = (
    Clause("6.2", "people",
           (events.PersonAdded, events.PersonChanged, events.PersonLeft,
            events.AuthorisationGiven, events.AuthorisationWithdrawn, events.PasswordSet,
            events.CheckSigned),
           ("people", "authorisations", "unauthorised"), note="the person of every record"),
    Clause("6.3", "place and environment", (events.EnvironmentLimitsSet,), ("environment",),
           note="temperature and humidity of a check, where stated"),
    Clause("6.4", "equipment",
           (events.EquipmentAdded, events.EquipmentLogged, events.EquipmentReported,
            events.EquipmentEdited,
            events.SieveAdded, events.DeviceAdded, events.ArtefactAdded, events.SieveQuarantined,
            events.SieveRetired, events.SieveCleaned, events.ClothReplaced),
           ("equipment", "equipment_events", "equipment_use", "sieves", "overdue", "never_checked",
            "quarantines", "retirements", "changes")),
    Clause("6.5", "traceability",
           (events.ArtefactAdded, events.ScaleCalibrated, events.IlluminationMeasured,
            events.ScaleChainCorrected, events.CertificateRecorded),
           ("no_scale",)),
    Clause("6.6", "products and services from outside", (events.CertificateRecorded,),
           ("certificates",),
           note="the laboratory of each certificate, with its accreditation number"),
    Clause("7.1", "requests and contracts"),
    Clause("7.2", "choice and validation of methods",
           (events.ValidationRecorded, events.RepeatabilityStudied, events.CertificateRecorded),
           ("certificates",)),
    Clause("7.3", "sampling", (), ("conditional",),
           note="fields and apertures of every check, held against the sampling plan"),
    Clause("7.4", "items under test", (events.UseLogged, events.SieveCleaned), ("sieves", "uses")),
    Clause("7.5", "technical records", (events.CheckRecorded,), ("checks", "evidence")),
    Clause("7.6", "measurement uncertainty", (events.CheckRecorded,), ("checks",),
           note="the budget of each check in its report"),
    Clause("7.7", "validity of results",
           (events.ReferenceChecked, events.RepeatabilityStudied, events.CertificateRecorded),
           ("certificates", "open_points")),
    Clause("7.8", "reports", (events.ReportIssued, events.ReportWithdrawn), ("reports",)),
    Clause("7.8.6", "decision rules", (events.DecisionRuleSet, events.ActionDecided),
           note="the rule of each check in its report"),
    Clause("7.9", "complaints", (), ("work_findings",), note="each as a finding of this clause"),
    Clause("7.10", "work that does not conform", (events.ResultReviewed, events.FindingRaised),
           ("lookbacks", "equipment_use", "work_findings", "open_points")),
    Clause("7.11", "data and software",
           (events.ValidationRecorded, events.HeadSigned, events.HeadStamped,
            events.RecordsImported, events.LossAccepted),
           ("findings",)),
    Clause("8.1", "options of the management system"),
    Clause("8.2", "documents of the management system"),
    Clause("8.3", "control of documents"),
    Clause("8.4", "control of records",
           (events.RecordCorrected, events.ScaleChainCorrected, events.ProofRulesSet),
           ("corrections", "evidence", "retention", "findings")),
    Clause("8.5", "risks and opportunities", (events.IntervalDecided,)),
    Clause("8.6", "improvement"),
    Clause("8.7", "corrective action",
           (events.FindingRaised, events.FindingAnswered, events.FindingClosed),
           ("work_findings", "open_points")),
    Clause("8.8", "internal audits", note="this audit itself"),
    Clause("8.9", "management reviews"),
)  # fmt: skip


def clause_table(scope: Scope, tables: Sequence[AuditTable]) -> AuditTable:
    """A row for each clause; `see` names the tables of the audit that answer it."""
    counts = _counts(scope)
    filled = {table.name: len(table.rows) for table in tables}
    pending = [
        finding.raised.payload.clause
        for finding in findings_until(scope.connection, scope.until, scope.as_of)
        if finding.state != FindingState.CLOSED
    ]
    rows = tuple(_row(clause, counts, filled, pending) for clause in CLAUSES)
    return AuditTable("clauses", "By clause of ISO/IEC 17025:2017", COLUMNS, rows)


def _counts(scope: Scope) -> dict[str, tuple[int, str]]:
    """The number of events of each kind up to the day of the audit, and the day of the newest."""
    event = schema.event
    kind = event.c.kind.concat("").label("kind")  # not by the index of kinds: it lacks the day
    query = (
        select(kind, func.count(), func.max(event.c.on_date))
        .where(event.c.on_date <= scope.as_of.isoformat())
        .group_by(kind)
    )
    if scope.until is not None:
        query = query.where(event.c.seq <= scope.until)
    return {kind: (int(count), str(day)) for kind, count, day in scope.connection.execute(query)}


def _row(
    clause: Clause,
    counts: dict[str, tuple[int, str]],
    filled: dict[str, int],
    pending: Sequence[str],
) -> tuple[str, ...]:
    there = [(kind.KIND, *counts[kind.KIND]) for kind in clause.kinds if kind.KIND in counts]
    held = [f"{kind}: {count}" for kind, count, _ in there]
    held += [clause.note] if clause.note else []
    concerned = bool(clause.kinds or clause.tables or clause.note)
    words = "; ".join(held) or ("nothing recorded yet" if concerned else NOT_HERE)
    count = str(sum(count for _, count, _ in there)) if clause.kinds else ""
    newest = max((day for _, _, day in there), default="")
    raised = sum(of == clause.number or of.startswith(f"{clause.number}.") for of in pending)
    see = ", ".join(name for name in clause.tables if filled.get(name))
    return clause.number, clause.subject, words, count, newest, str(raised or ""), see
