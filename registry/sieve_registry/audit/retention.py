"""Retention (ISO/IEC 17025:2017, 8.4): until when each check's evidence has to be kept.

The period runs from the day of the check, or of the newest report issued of it. Nothing is ever
destroyed by the program, and the ledger never gets shorter: the table names which evidence a
person may destroy, and from when. `verify` reports what is destroyed as missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from sqlalchemy import func, select

from sieve_registry.audit.issued import issued_until
from sieve_registry.audit.table import AuditTable, Scope
from sieve_registry.store import schema
from sieve_registry.values import add_months

COLUMNS = ("check", "sieve", "date", "files", "bytes", "keep until", "may be destroyed")


def retention_table(scope: Scope, keep_years: int) -> AuditTable:
    """A row for each check with evidence; empty where the laboratory set no period."""
    rows = tuple(_rows(scope, keep_years)) if keep_years else ()
    return AuditTable("retention", "Retention of evidence", COLUMNS, rows)


def _rows(scope: Scope, keep_years: int) -> Iterator[tuple[str, ...]]:
    reported: dict[str, date] = {}
    for report in issued_until(scope.connection, scope.until, scope.as_of):
        check_id, issued_on = report.fact.payload.check, report.fact.on_date
        reported[check_id] = max(reported.get(check_id, issued_on), issued_on)
    check, link, kept = schema.check, schema.check_evidence, schema.evidence
    query = (
        select(
            check.c.id, check.c.sieve_id, check.c.on_date,
            func.count(), func.sum(kept.c.size),
        )
        .join_from(check, link, check.c.id == link.c.check_id)
        .join(kept, kept.c.sha256 == link.c.sha256)
        .where(check.c.on_date <= scope.as_of.isoformat())
        .group_by(check.c.id, check.c.sieve_id, check.c.on_date, check.c.seq)
        .order_by(check.c.on_date, check.c.seq)
    )  # fmt: skip
    if scope.until is not None:
        query = query.where(check.c.seq <= scope.until)
    for check_id, sieve_id, on_date, files, size in scope.connection.execute(query):
        begins = max(date.fromisoformat(on_date), reported.get(check_id, date.min))
        until = add_months(begins, 12 * keep_years)
        free = "yes" if until < scope.as_of else ""
        yield check_id, sieve_id, on_date, str(files), str(size), until.isoformat(), free
