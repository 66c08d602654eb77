"""Rows back to records: a record's fields are the columns of the same names."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from decimal import Decimal
from functools import lru_cache, partial
from operator import itemgetter
from typing import Any, TypeVar

from sqlalchemy import Row

from sieve_registry.ledger.canonical import read_payload
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import RecordCorrected, decode
from sieve_registry.ledger.figures import DirectionFigures, Margin
from sieve_registry.ledger.records import (
    Check,
    CheckMark,
    Correction,
    Fact,
    Retirement,
    Sieve,
    SieveDetails,
    SieveEdit,
    Use,
    UseDetails,
)
from sieve_registry.store import schema

_T = TypeVar("_T")
_Read = Callable[[Any], Any]
_CORRECTED = ("corrects", "kind", "reason", "void", "was", "now")


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


@lru_cache(1000)
def _texts(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


@lru_cache(1000)
def _sieve_details(text: str) -> SieveDetails:
    return SieveDetails(**json.loads(text))


@lru_cache(1000)
def _use_details(text: str) -> UseDetails:
    fields: dict[str, Any] = json.loads(text)
    exact: dict[str, Any] = {
        n: Decimal(fields[n]) for n in ("mass_g", "minutes", "retained_g") if n in fields
    }
    return UseDetails(**{**fields, **exact})


def _new_details(text: str) -> tuple[tuple[str, str], ...]:
    return tuple(json.loads(text).items())


def _reader(
    kind: type[_T],
    converted: Mapping[str, _Read],
    *,
    prefix: str = "",
    without: tuple[str, ...] = (),
) -> Callable[[Row[Any]], _T]:
    """A function that makes a frozen record of a row, some columns `converted`.

    There may be hundreds of thousands of rows, checked when they were written: the constructor of
    a frozen record takes five times longer.
    """
    fields: dict[str, Any] = getattr(kind, "__dataclass_fields__")  # noqa: B009
    names = tuple(name for name in fields if name not in without)
    wanted = tuple(prefix + name for name in names)
    conversions = tuple(converted.items())

    # The columns of the query read last, and where the wanted ones are in its rows. Both change in
    # one step, since several threads may read.
    last: tuple[Any, itemgetter[Any]] = (None, itemgetter(0))

    def read(row: Row[Any]) -> _T:
        nonlocal last
        parent, places = last
        if row._parent is not parent:
            columns = row._fields
            places = itemgetter(*(columns.index(name) for name in wanted))
            last = row._parent, places
        record = object.__new__(kind)
        values = record.__dict__
        values.update(zip(names, places(row), strict=True))
        for name, convert in conversions:
            values[name] = convert(values[name])
        return record

    return read


_DECIMALS = ("value_um", "expanded_um", "limit_low_um", "limit_high_um")
_FIGURES = {name: _decimal for name in DirectionFigures.__dataclass_fields__ if name != "count"}
sieve = _reader(Sieve, {"in_service": _day, "added_on": _day, "details": _sieve_details})
edit = _reader(SieveEdit, {"on_date": _day, "details": _new_details})
use = _reader(Use, {"on_date": _day, "details": _use_details})
retirement = _reader(Retirement, {"on_date": _day})
margin = _reader(Margin, dict.fromkeys(_DECIMALS, _decimal), without=("k", "dof"))
_check = _reader(Check, {"on_date": _day, "reasons": _texts}, without=("x", "y"))
_x, _y = (_reader(DirectionFigures, _FIGURES, prefix=prefix) for prefix in ("x_", "y_"))


def check(row: Row[Any]) -> Check:
    """A check; its figures are read from the row when they are first needed."""
    record = _check(row)
    record.__dict__["_figures"] = partial(_figures, row)
    return record


# The columns of a check that `mark` reads.
MARK_COLUMNS = tuple(schema.check.c[name] for name in CheckMark.__dataclass_fields__)


def mark(row: Iterable[Any]) -> CheckMark:
    """A check's mark from a row that begins with the values of `MARK_COLUMNS`."""
    check_id, on_date, outcome, seq, *_ = row
    record = object.__new__(CheckMark)  # quicker, as in `_reader`
    record.__dict__.update(
        id=check_id, on_date=date.fromisoformat(on_date), outcome=outcome, seq=seq
    )
    return record


def _figures(row: Row[Any], axis: str) -> DirectionFigures:
    return _x(row) if axis == "x" else _y(row)


def fact(row: Row[Any]) -> Fact[EventPayload]:
    """An event with its typed payload."""
    return Fact(
        seq=row.seq,
        subject=row.subject,
        on_date=date.fromisoformat(row.on_date),
        recorded_at=row.recorded_at,
        person=row.person,
        payload=decode(row.kind, read_payload(row.payload)),
    )


def correction(fact: Fact[RecordCorrected]) -> Correction:
    """A correction, read back from its event."""
    return Correction(
        seq=fact.seq,
        sieve_id=fact.subject,
        on_date=fact.on_date,
        recorded_at=fact.recorded_at,
        person=fact.person,
        **{name: getattr(fact.payload, name) for name in _CORRECTED},
    )
