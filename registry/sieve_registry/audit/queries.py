"""The records as of a past day, as tables for the terminal, CSV files and printed pages.

Two times are kept apart. A row belongs to the day it concerns (`on_date`); where it was recorded
after the day of the audit, the column "recorded later" gives that day, so that later knowledge is
not mistaken for knowledge of the time. With `known_then` only records made by the end of that day
count.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_registry.audit import verification
from sieve_registry.audit.check_tables import check_tables, evidence_table
from sieve_registry.audit.clauses import clause_table
from sieve_registry.audit.equipment_tables import EQUIPMENT_TABLES, equipment_tables
from sieve_registry.audit.people_tables import PEOPLE_TABLES, people_tables
from sieve_registry.audit.proof_tables import findings_table, open_points_table, reports_table
from sieve_registry.audit.retention import retention_table
from sieve_registry.audit.sieve_tables import (
    SieveRecord,
    corrections_table,
    lookbacks_table,
    sieve_tables,
    uses_table,
)
from sieve_registry.audit.table import AuditTable, Columns, Scope, end_of, table
from sieve_registry.ledger.proof import Verification
from sieve_registry.ledger.records import Finding, SieveHistory
from sieve_registry.sieves.laboratory import proof_rules
from sieve_registry.sieves.state import state_as_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import refuse_future

__all__ = ["Audit", "AuditTable", "audit"]

_MANY_EVENTS = 30_000  # from here on the audit proves the chain and leaves the rows to `verify`
_ORDER = (
    *("sieves", "overdue", "never_checked", "checks", "no_scale", "conditional", "quarantines"),
    *("retirements", "lookbacks", "uses", "changes", "corrections", "reports", "work_findings"),
    "open_points",
    *(*PEOPLE_TABLES, *EQUIPMENT_TABLES, "evidence", "retention", "findings", "clauses"),
)


@dataclass(frozen=True)
class Audit:
    """Everything that concerned `as_of` or earlier; `events` and `head` are the ledger's today.

    `events_then` and `head_then` are the ledger at the end of that day. `proven` states how much of
    it was proven: "all", or "chain and evidence" for a very long ledger. `histories` hold what the
    statuses of the sieves depend on; the checks are in their table.
    """

    as_of: date
    made_at: str
    events: int
    head: str | None
    tables: tuple[AuditTable, ...]
    remarks: tuple[str, ...]
    events_then: int
    head_then: str | None
    known_then: bool
    verification: Verification
    proven: str
    histories: tuple[SieveHistory, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """`audit --json`: the tables as lists of rows by column name."""
        return {
            "as_of": self.as_of.isoformat(),
            "made_at": self.made_at,
            "ledger": {"events": self.events, "head": self.head},
            "ledger_then": {"events": self.events_then, "head": self.head_then},
            "known_then": self.known_then,
            "verify": {"ok": self.verification.ok, "proven": self.proven},
            "remarks": list(self.remarks),
            **{
                table.name: [dict(zip(table.columns, row, strict=True)) for row in table.rows]
                for table in self.tables
            },
        }


def audit(registry: Registry, as_of: date, *, known_then: bool = False) -> Audit:
    """The state and history of every sieve at the end of `as_of`, and the proof of the ledger.

    Raises `DateRefusedError` for a day in the future.
    """
    refuse_future(as_of, registry.today(), "an audit")
    events, head = verification.ledger_head(registry)
    quick = events > _MANY_EVENTS
    with ThreadPoolExecutor(1) as pool:
        proving = pool.submit(verification.verify, registry, quick=quick)
        with registry.reading() as connection:
            seq = reader.event_known_on(connection, end_of(as_of))
            last_then = reader.event_of(connection, seq)
            scope = Scope(connection, as_of, seq if known_then else None)
            sieves = _sieves(scope)
            tables = [
                *sieve_tables(scope, sieves),
                *check_tables(scope),
                lookbacks_table(scope, sieves),
                uses_table(scope),
                corrections_table(scope, sieves),
                *people_tables(scope),
                *equipment_tables(scope),
                evidence_table(scope),
                reports_table(scope),
                findings_table(scope),
                open_points_table(scope),
                retention_table(scope, proof_rules(registry, as_of).keep_years),
            ]
            proof = proving.result()
            tables.append(table("findings", "Integrity findings", _FINDING_COLUMNS, proof.findings))
            tables.append(clause_table(scope, tables))
    return Audit(
        as_of=as_of,
        made_at=registry.now().astimezone().isoformat(timespec="seconds"),
        events=events,
        head=head,
        tables=tuple(sorted(tables, key=lambda made: _ORDER.index(made.name))),
        remarks=tuple(f"{r.subject}: {r.message}" for sieve in sieves for r in sieve.state.remarks),
        events_then=seq,
        head_then=None if last_then is None else last_then.hash,
        known_then=known_then,
        verification=proof,
        proven="chain and evidence" if quick else "all",
        histories=tuple(sieve.history for sieve in sieves),
    )


_FINDING_COLUMNS: Columns[Finding] = (
    ("source", lambda f: f.source),
    ("subject", lambda f: f.subject),
    ("finding", lambda f: f.message),
)


def _sieves(scope: Scope) -> list[SieveRecord]:
    """The sieves that were in the registry on the day of the audit."""
    histories = reader.histories_at(scope.connection, scope.as_of, scope.until)
    pairs = ((state_as_of(history, scope.as_of), history) for history in histories.values())
    return [SieveRecord(state, history) for state, history in pairs if state is not None]
