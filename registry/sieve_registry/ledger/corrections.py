"""Corrections: a record is never changed, a later one says how it should read.

Which fields of a kind may be corrected stands in `CORRECTABLE`; what was measured is not among
them: a measurement that was wrong is void, and the sieve is checked again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from sieve_registry import events
from sieve_registry.records import Correction, SieveHistory

__all__ = ["CORRECTABLE", "VOIDABLE", "apply", "current"]

_T = TypeVar("_T", bound=Any)

CORRECTABLE: Mapping[str, tuple[str, ...]] = {
    events.SIEVE_ADDED: ("serial", "maker", "location", "frame_nm", "in_service"),
    events.SIEVE_EDITED: ("on_date",),
    events.CHECK_RECORDED: ("on_date",),
    events.USE_LOGGED: ("on_date", "count", "note"),
    events.SIEVE_RETIRED: ("on_date", "reason"),
    events.SIEVE_QUARANTINED: ("on_date", "reason"),
    events.SIEVE_RETURNED: ("on_date", "reason"),
    events.SIEVE_CLEANED: ("on_date", "method", "note"),
    events.CLOTH_REPLACED: ("on_date", "reason"),
    events.CHECK_SIGNED: (),
}
VOIDABLE = frozenset(CORRECTABLE) - {events.SIEVE_ADDED}
_DAYS = ("on_date", "in_service")


def current(corrections: Iterable[Correction]) -> dict[int, tuple[bool, dict[str, Any]]]:
    """By the number of the event corrected: whether it is void, and its fields as they now read.

    Of several corrections of one field the last recorded counts.
    """
    found: dict[int, tuple[bool, dict[str, Any]]] = {}
    for one in sorted(corrections, key=lambda c: c.seq):
        before = found.get(one.corrects, (False, {}))[1]
        found[one.corrects] = (one.void, {**before, **one.now})
    return found


def apply(history: SieveHistory) -> SieveHistory:
    """The history as its own corrections say it should read; nothing recorded gets lost."""
    if not history.corrections:
        return history
    now = current(history.corrections)
    end = _corrected([] if history.retirement is None else [history.retirement], now)
    (sieve,) = _corrected([history.sieve], now)
    return replace(
        history,
        sieve=sieve,
        edits=tuple(_corrected(history.edits, now)),
        checks=tuple(_corrected(history.checks, now)),
        uses=tuple(_corrected(history.uses, now)),
        retirement=end[0] if end else None,
        acts=tuple(_corrected(history.acts, now)),
    )


def _corrected(records: Iterable[_T], now: dict[int, tuple[bool, dict[str, Any]]]) -> list[_T]:
    kept = []
    for record in records:
        void, fields = now.get(record.seq, (False, {}))
        if not void:
            kept.append(_with(record, fields) if fields else record)
    return kept


def _with(record: _T, fields: Mapping[str, Any]) -> _T:
    values = {
        name: date.fromisoformat(value) if name in _DAYS and value is not None else value
        for name, value in fields.items()
    }
    if hasattr(record, "payload"):
        values = {
            "on_date": values.pop("on_date", record.on_date),
            "payload": {**record.payload, **values},
        }
    changed: _T = replace(record, **values)
    return changed
