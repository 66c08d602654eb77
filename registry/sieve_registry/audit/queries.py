"""What was true on one past day, as tables: for the terminal, CSV files and pages to file away.

Two times are kept apart. A row belongs to the day it concerns (`on_date`); when it was recorded
only after the day asked for, the column "recorded later" says on which day, so that nobody takes
what is known today for what was known then. With `known_then` only what was recorded by the end of
that day counts: exactly what was known.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from sieve_registry.audit import rows as of
from sieve_registry.audit import verification
from sieve_registry.audit.rows import recorded_later
from sieve_registry.records import (
    SieveState,
    Verification,
)
from sieve_registry.sieves.lifecycle import refuse_future
from sieve_registry.sieves.state import IN_SERVICE, state_as_of
from sieve_registry.store import listing, reader
from sieve_registry.store.engine import Registry

__all__ = ["Audit", "AuditTable", "audit", "recorded_later"]

_MANY_EVENTS = 30_000  # from here on the audit proves the chain and leaves the rows to `verify`


@dataclass(frozen=True)
class AuditTable:
    """One table; every cell is text, empty where nothing is to be said."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Audit:
    """Everything that concerned `as_of` or earlier; `events` and `head` are the ledger's today.

    `events_then` and `head_then` are the ledger at the end of that day. `proven` says how much of
    it was proven: "all", or "chain and evidence" for a very long ledger.
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

    Raises `DateRefusedError` for a day to come: nothing can be said of it yet.
    """
    refuse_future(as_of, registry.today(), "an audit")
    events, head = verification.ledger_head(registry)
    quick = events > _MANY_EVENTS
    with ThreadPoolExecutor(1) as pool:
        proving = pool.submit(verification.verify, registry, quick=quick)
        with registry.reading() as connection:
            seq = reader.event_known_on(connection, of.end_of(as_of))
            then = reader.event_of(connection, seq)
            tables, states = _tables(connection, as_of, seq if known_then else None)
        proof = proving.result()
    findings = ((one.source, one.subject, one.message) for one in proof.findings)
    return Audit(
        as_of=as_of,
        made_at=registry.now().astimezone().isoformat(timespec="seconds"),
        events=events,
        head=head,
        tables=(*tables, _table("findings", "What verify found", of.FINDINGS, findings)),
        remarks=tuple(f"{one.subject}: {one.message}" for s in states for one in s.remarks),
        events_then=seq,
        head_then=None if then is None else then.hash,
        known_then=known_then,
        verification=proof,
        proven="chain and evidence" if quick else "all",
    )


def _table(
    name: str, title: str, columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]
) -> AuditTable:
    return AuditTable(name, title, columns, tuple(rows))


def _tables(
    connection: Connection, day: date, until: int | None
) -> tuple[list[AuditTable], list[SieveState]]:
    histories = reader.histories_at(connection, day, until)
    pairs = [(state_as_of(history, day), history) for history in histories.values()]
    there = [(state, history) for state, history in pairs if state is not None]
    states = [state for state, _ in there]
    known = of.uncertainties(connection)
    rows = listing.check_rows(connection, day, until)
    checks = [of.check_row(row, day, known) for row in rows]
    live = [state for state in states if state.status == IN_SERVICE]
    never = [state for state in live if state.last_check is None]
    late = [state for state in live if state.overdue]
    found = [
        _table("sieves", "Sieves", of.SIEVES, (of.sieve_row(*pair) for pair in there)),
        _table("overdue", "Checks overdue", of.DUE, map(of.due_row, late)),
        _table("never_checked", "Never checked", of.DUE, map(of.due_row, never)),
        _table("checks", "Checks", of.CHECKS, checks),
        _table(
            "no_scale",
            "Checks by no recorded, valid scale",
            of.NO_SCALE,
            of.no_scale(checks, of.recorded_scales(connection, until), day),
        ),
        _table(
            "conditional",
            "Conditional outcomes still open",
            of.OPEN,
            of.open_rows(live),
        ),
        _table("quarantines", "In quarantine", of.ENDS, of.quarantine_rows(states)),
        _table("retirements", "Retirements", of.ENDS, of.retirement_rows(there)),
        _table(
            "lookbacks",
            "Look-backs",
            of.LOOKBACKS,
            of.lookback_rows(connection, there, until),
        ),
        _table("uses", "Uses", of.USES, of.use_rows(connection, day, until)),
        _table("changes", "Changes and acts", of.CHANGES, of.change_rows(there)),
        _table("corrections", "Corrections", of.CORRECTIONS, of.correction_rows(there)),
        _table("evidence", "Evidence", of.EVIDENCE, of.evidence_rows(connection, day, until)),
    ]
    return found, states
