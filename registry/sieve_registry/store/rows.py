"""Rows back to records, one function per kind."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal
from functools import lru_cache
from operator import itemgetter
from typing import Any, TypeVar

from sqlalchemy import Row

from sieve_registry.codec import EventPayload
from sieve_registry.events import RecordCorrected, decode
from sieve_registry.figures import DirectionFigures, Margin
from sieve_registry.records import (
    Check,
    Correction,
    Fact,
    Retirement,
    Sieve,
    SieveDetails,
    SieveEdit,
    Use,
    UseDetails,
)

_T = TypeVar("_T")
_NO_DETAILS, _NO_USE_DETAILS = SieveDetails(), UseDetails()


def sieve(row: Row[Any]) -> Sieve:
    """A sieve as it was added."""
    return _made(
        Sieve,
        id=row.id,
        nominal_nm=row.nominal_nm,
        standard=row.standard,
        grade=row.grade,
        serial=row.serial,
        frame_nm=row.frame_nm,
        in_service=None if row.in_service is None else date.fromisoformat(row.in_service),
        added_on=date.fromisoformat(row.added_on),
        interval_months=row.interval_months,
        interval_uses=row.interval_uses,
        location=row.location,
        maker=row.maker,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
        details=_details(row.details),
    )


def _details(text: str) -> SieveDetails:
    return _NO_DETAILS if text == "{}" else _kept_details(text)


@lru_cache(1000)
def _kept_details(text: str) -> SieveDetails:
    return SieveDetails(**json.loads(text))


def fact(row: Row[Any]) -> Fact[EventPayload]:
    """An event with its typed payload."""
    return Fact(
        seq=row.seq,
        subject=row.subject,
        on_date=date.fromisoformat(row.on_date),
        recorded_at=row.recorded_at,
        person=row.person,
        payload=decode(row.kind, json.loads(row.payload)),
    )


def correction(fact: Fact[RecordCorrected]) -> Correction:
    """A correction, read back from its event."""
    return Correction(
        seq=fact.seq,
        corrects=fact.payload.corrects,
        kind=fact.payload.kind,
        sieve_id=fact.subject,
        on_date=fact.on_date,
        recorded_at=fact.recorded_at,
        person=fact.person,
        reason=fact.payload.reason,
        void=fact.payload.void,
        was=fact.payload.was,
        now=fact.payload.now,
    )


def edit(row: Row[Any]) -> SieveEdit:
    """A change of a sieve."""
    return SieveEdit(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        interval_months=row.interval_months,
        interval_uses=row.interval_uses,
        location=row.location,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
        details=tuple(json.loads(row.details).items()),
    )


_FIGURES = tuple(DirectionFigures.__dataclass_fields__)
_OF_AXIS = {axis: itemgetter(*(f"{axis}_{name}" for name in _FIGURES)) for axis in ("x", "y")}


def _figures(row: Row[Any], axis: str) -> DirectionFigures:
    count, *texts = _OF_AXIS[axis](row._mapping)
    values = [count, *(None if text is None else Decimal(text) for text in texts)]
    return _made(DirectionFigures, **dict(zip(_FIGURES, values, strict=True)))


def _made(kind: type[_T], **fields: Any) -> _T:
    """A frozen record whose fields were checked when they were written.

    There may be hundreds of thousands: the constructor of a frozen record takes five times longer.
    """
    record = object.__new__(kind)
    record.__dict__.update(fields)
    return record


def check(row: Row[Any]) -> Check:
    """A check with its figures."""
    return _made(
        Check,
        id=row.id,
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        nominal_nm=row.nominal_nm,
        standard=row.standard,
        grade=row.grade,
        rule=row.rule,
        outcome=row.outcome,
        action=row.action,
        action_reason=row.action_reason,
        reasons=_reasons(row.reasons),
        fit=row.fit,
        x=_figures(row, "x"),
        y=_figures(row, "y"),
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
        software=row.software,
        scale_source=row.scale_source,
    )


@lru_cache(1000)
def _reasons(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def margin(row: Row[Any]) -> Margin:
    """One value of a check against its limits."""
    return Margin(
        name=row.name,
        direction=row.direction,
        value_um=_decimal(row.value_um),
        expanded_um=_decimal(row.expanded_um),
        limit_low_um=_decimal(row.limit_low_um),
        limit_high_um=_decimal(row.limit_high_um),
        outcome=row.outcome,
    )


def use(row: Row[Any]) -> Use:
    """Uses of one day."""
    # `row.count` is a method of every row, so the column is read by name.
    return Use(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        count=row._mapping["count"],
        note=row.note,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
        details=_use_details(row.details),
    )


def _use_details(text: str) -> UseDetails:
    if text == "{}":
        return _NO_USE_DETAILS
    told: dict[str, Any] = json.loads(text)
    exact: dict[str, Any] = {
        n: Decimal(told.pop(n)) for n in ("mass_g", "minutes", "retained_g") if n in told
    }
    return UseDetails(**told, **exact)


def retirement(row: Row[Any]) -> Retirement:
    """The end of a sieve's service."""
    return Retirement(
        sieve_id=row.sieve_id,
        on_date=date.fromisoformat(row.on_date),
        reason=row.reason,
        seq=row.seq,
        recorded_at=row.recorded_at,
        person=row.person,
    )
