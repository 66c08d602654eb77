"""An audit's tables of issued reports, of findings about the laboratory's work, of open points."""

from __future__ import annotations

from sieve_registry.audit.findings import RecordedFinding, findings_until
from sieve_registry.audit.issued import IssuedReport, issued_until
from sieve_registry.audit.open_points import OpenPoint, open_points_on
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table


def reports_table(scope: Scope) -> AuditTable:
    """The reports issued up to the day of the audit."""
    columns: Columns[IssuedReport] = (
        ("report", lambda r: r.number),
        ("check", lambda r: r.fact.payload.check),
        ("sieve", lambda r: r.fact.payload.sieve),
        ("issued", lambda r: r.fact.on_date.isoformat()),
        ("by", lambda r: r.fact.person),
        ("customer", lambda r: r.fact.payload.customer),
        ("amends", lambda r: r.fact.payload.amends),
        ("reason", lambda r: r.fact.payload.reason),
        ("state", lambda r: r.state),
        ("sha256", lambda r: " ".join(file.sha256 for file in r.fact.payload.evidence)),
        (RECORDED_LATER, lambda r: scope.recorded_later(r.fact.recorded_at)),
    )
    known = issued_until(scope.connection, scope.until, scope.as_of)
    return table("reports", "Issued reports", columns, known)


def findings_table(scope: Scope) -> AuditTable:
    """The findings raised up to the day of the audit, with answers and closing."""
    columns: Columns[RecordedFinding] = (
        ("finding", lambda f: f.number),
        ("raised", lambda f: f.raised.on_date.isoformat()),
        ("by", lambda f: f.origin),
        ("clause", lambda f: f.raised.payload.clause),
        ("about", lambda f: f.raised.payload.about),
        ("text", lambda f: f.raised.payload.text),
        ("state", lambda f: f.state),
        ("cause", lambda f: f.answered.payload.cause if f.answered else ""),
        ("action", lambda f: f.answered.payload.action if f.answered else ""),
        ("closed", lambda f: f"{f.closed.on_date}, {f.closed.person}" if f.closed else ""),
        ("seen by", lambda f: f.closed.payload.reason if f.closed else ""),
        (RECORDED_LATER, lambda f: scope.recorded_later(f.raised.recorded_at)),
    )
    known = findings_until(scope.connection, scope.until, scope.as_of)
    return table("work_findings", "Findings about the work", columns, known)


def open_points_table(scope: Scope) -> AuditTable:
    """What the records show by themselves on the day of the audit, and nobody raised yet."""
    known = open_points_on(scope.connection, scope.as_of, scope.until)
    return table("open_points", "Open points without a finding", _POINT_COLUMNS, known)


_POINT_COLUMNS: Columns[OpenPoint] = (
    ("event", lambda p: str(p.event)),
    ("clause", lambda p: p.clause),
    ("about", lambda p: p.about),
    ("text", lambda p: p.text),
)
