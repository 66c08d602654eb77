"""Corrections: a record is never changed, a later record amends it.

`CORRECTABLE` lists the fields of each kind that may be corrected, those inside a record as
"record.field". The laboratory's own measured values are not among them: void a wrong measurement
and check the sieve again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from datetime import date
from typing import Any, TypeVar

from sieve_registry.ledger import events
from sieve_registry.ledger.figures import CertifiedDirection
from sieve_registry.ledger.records import Correction, Fact, SieveHistory

_T = TypeVar("_T", bound=Any)

CERTIFIED = tuple(f"{axis}.{field.name}" for axis in "xy" for field in fields(CertifiedDirection))
CORRECTABLE: Mapping[str, tuple[str, ...]] = {
    events.SieveAdded.KIND: (
        "nominal_nm", "standard", "grade", "serial", "maker", "location", "frame_nm", "in_service",
    ),
    events.SieveEdited.KIND: ("on_date",),
    events.CheckRecorded.KIND: ("on_date",),
    events.UseLogged.KIND: ("on_date", "count", "note"),
    events.SieveRetired.KIND: ("on_date", "reason"),
    events.SieveQuarantined.KIND: ("on_date", "reason"),
    events.SieveReturned.KIND: ("on_date", "reason"),
    events.SieveCleaned.KIND: ("on_date", "method", "note"),
    events.ClothReplaced.KIND: ("on_date", "reason"),
    events.CheckSigned.KIND: (),
    events.ActionDecided.KIND: ("on_date", "reason"),
    events.ReferenceChecked.KIND: ("on_date", "material"),
    events.ResultReviewed.KIND: ("on_date", "reason"),
    events.CertificateRecorded.KIND: (
        "on_date", "number", "laboratory", "accreditation", "standard", "outcome", "k", "next_due",
        "note", *CERTIFIED,
    ),
}  # fmt: skip
VOIDABLE = frozenset(CORRECTABLE) - {events.SieveAdded.KIND}
DAYS = ("on_date", "in_service", "next_due")
_FIELD_NAMES = {
    "on_date": "date",
    "frame_nm": "frame in nm",
    "nominal_nm": "nominal in nm",
    "in_service": "in service",
    "next_due": "next due",
    **{
        f"{axis}.{name}": words.format(axis)
        for axis in "xy"
        for name, words in (
            ("mean_um", "mean {} in um"), ("expanded_um", "U {} in um"), ("sd_um", "s {} in um"),
            ("max_um", "largest {} in um"), ("wire_mean_um", "wire {} in um"),
            ("count", "apertures in {}"),
        )
    },
}  # fmt: skip


def field_name(name: str) -> str:
    """The name of a corrected field as people read it."""
    return _FIELD_NAMES.get(name, name)


def fields_text(values: Mapping[str, Any]) -> str:
    """The fields of a correction with their values, in one line."""
    return ", ".join(f"{field_name(name)} {value}" for name, value in values.items())


def current_readings(corrections: Iterable[Correction]) -> dict[int, tuple[bool, dict[str, Any]]]:
    """By the number of the event corrected: whether it is void, and its fields as they now read.

    The last recorded correction of a field counts.
    """
    readings: dict[int, tuple[bool, dict[str, Any]]] = {}
    for correction in sorted(corrections, key=lambda c: c.seq):
        before = readings.get(correction.corrects, (False, {}))[1]
        readings[correction.corrects] = (correction.void, {**before, **correction.now})
    return readings


def apply(history: SieveHistory) -> SieveHistory:
    """The history as corrected; the corrections stay listed."""
    if not history.corrections:
        return history
    now = current_readings(history.corrections)
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
        opinions=tuple(_corrected(history.opinions, now)),
    )


def corrected(records: Iterable[_T], made: Iterable[Correction]) -> list[_T]:
    """Records as they now read by the corrections made of them, void ones left out."""
    return _corrected(records, current_readings(made))


def _corrected(records: Iterable[_T], now: dict[int, tuple[bool, dict[str, Any]]]) -> list[_T]:
    kept = []
    for record in records:
        void, fields = now.get(record.seq, (False, {}))
        if not void:
            kept.append(_with(record, fields) if fields else record)
    return kept


def _with(record: _T, now: Mapping[str, Any]) -> _T:
    if isinstance(record, Fact):
        stored = record.payload.to_payload()
        for name, value in now.items():
            outer, _, inner = name.partition(".")
            stored[outer] = {**stored[outer], inner: value} if inner else value
        on_date = date.fromisoformat(stored.pop("on_date", record.on_date.isoformat()))
        values = {"on_date": on_date, "payload": type(record.payload).from_payload(stored)}
    else:
        values = {
            name: date.fromisoformat(value) if name in DAYS and value is not None else value
            for name, value in now.items()
        }
    changed: _T = replace(record, **values)
    return changed
