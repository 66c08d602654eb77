"""An audit's tables of uses: all of them, and those that a failed check casts doubt on."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, cast

from sieve_registry.audit.sieve_tables import SieveRecord
from sieve_registry.audit.table import RECORDED_LATER, AuditTable, Columns, Scope, table
from sieve_registry.events import ActionDecided
from sieve_registry.quality.lookback import Lookback, lookback_of
from sieve_registry.records import Check, Fact, Use
from sieve_registry.store import listing


def uses_table(scope: Scope) -> AuditTable:
    """Uses up to the day of the audit."""
    columns: Columns[Any] = (
        ("sieve", lambda r: r.sieve_id),
        ("date", lambda r: r.on_date),
        ("uses", lambda r: str(r._mapping["count"])),
        ("method", lambda r: _detail(r, "method")),
        ("material", lambda r: _detail(r, "material")),
        ("note", lambda r: r.note),
        ("by", lambda r: r.person),
        ("recorded at", lambda r: r.recorded_at),
        (RECORDED_LATER, lambda r: scope.recorded_later(r.recorded_at)),
    )
    rows = listing.use_rows(scope.connection, scope.as_of, scope.until)
    return table("uses", "Uses", columns, rows)


def _detail(row: Any, name: str) -> str:
    return "" if row.details == "{}" else str(json.loads(row.details).get(name, ""))


@dataclass(frozen=True)
class _Decided:
    lookback: Lookback
    decision: str


def lookbacks_table(scope: Scope, sieves: Sequence[SieveRecord]) -> AuditTable:
    """Sieves that failed and had been used: the last decision, or "open"."""
    columns: Columns[_Decided] = (
        ("sieve", lambda d: d.lookback.sieve_id),
        ("because", lambda d: d.lookback.cause.reason if d.lookback.cause else ""),
        ("good until", lambda d: str(d.lookback.good.on_date) if d.lookback.good else "never"),
        ("uses before", lambda d: str(sum(use.count for use in d.lookback.between))),
        ("uses after", lambda d: str(sum(use.count for use in d.lookback.after))),
        ("decided", lambda d: d.decision),
    )
    return table("lookbacks", "Look-backs", columns, _lookbacks(scope, sieves))


def _lookbacks(scope: Scope, sieves: Sequence[SieveRecord]) -> Iterator[_Decided]:
    marks = listing.check_marks(scope.connection, scope.as_of, scope.until)
    uses = _uses(scope)
    decided: dict[str, list[Fact[ActionDecided]]] = {}
    for fact in scope.facts(ActionDecided):
        decided.setdefault(fact.subject, []).append(fact)
    for sieve in sieves:
        sieve_id = sieve.state.sieve.id
        if sieve_id not in uses:
            continue
        # A look-back rests on a check's day, order and outcome alone, which a mark has.
        checks = tuple(cast("list[Check]", marks.get(sieve_id, [])))
        history = replace(sieve.history, checks=checks, uses=tuple(uses[sieve_id]))
        found = lookback_of(history, scope.as_of)
        if found.cause is None or not found.uses:
            continue
        decisions = [
            f"decided on {fact.on_date} by {fact.person}"
            for fact in decided.get(sieve_id, [])
            if fact.seq > found.cause.seq and fact.on_date <= scope.as_of
        ]
        yield _Decided(found, decisions[-1] if decisions else "open")


def _uses(scope: Scope) -> dict[str, list[Use]]:
    found: dict[str, list[Use]] = {}
    for row in listing.use_rows(scope.connection, scope.as_of, scope.until):
        count, on_date = row._mapping["count"], date.fromisoformat(row.on_date)
        use = Use(row.sieve_id, on_date, count, row.note, row.seq, row.recorded_at, row.person)
        found.setdefault(row.sieve_id, []).append(use)
    return found
