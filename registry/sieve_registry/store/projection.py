"""From an event to the rows of the derived tables: the one place where that is decided.

Recording uses it to insert, `verify` uses it to derive everything again and compare.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sieve_registry.records import Event

__all__ = [
    "CHECK_RECORDED",
    "SIEVE_ADDED",
    "SIEVE_EDITED",
    "SIEVE_RETIRED",
    "USE_LOGGED",
    "Row",
    "rows_of",
]

SIEVE_ADDED = "sieve added"
SIEVE_EDITED = "sieve edited"
CHECK_RECORDED = "check recorded"
USE_LOGGED = "use logged"
SIEVE_RETIRED = "sieve retired"

Row = tuple[str, dict[str, Any]]  # the table's name, and its columns

_VALUES = ("count", "mean_um", "sd_um", "max_um", "wire_mean_um")
_FIGURES = (*_VALUES, "u_mean_um", "u_sd_um", "u_max_um")


def rows_of(event: Event) -> list[Row]:
    """The derived rows of one event, in the order in which they may be inserted.

    Raises `KeyError`, `TypeError` or `ValueError` when the payload is not what its kind promises.
    """
    payload = json.loads(event.payload)
    if not isinstance(payload, dict):
        raise TypeError("the payload is no object")
    if event.kind == CHECK_RECORDED:
        return _check_rows(event, payload)
    return [_SIMPLE[event.kind](event, payload)]


def _sieve(event: Event, payload: Mapping[str, Any]) -> Row:
    names = ("nominal_nm", "standard", "grade", "serial", "frame_nm", "in_service", "added_on")
    rest = ("interval_months", "interval_uses", "location", "maker")
    row = {"id": event.subject, **{name: payload[name] for name in (*names, *rest)}}
    return "sieve", {**row, "seq": event.seq}


def _about_sieve(event: Event, payload: Mapping[str, Any], *names: str) -> dict[str, Any]:
    head = {"seq": event.seq, "sieve_id": event.subject, "on_date": event.on_date}
    return {**head, **{name: payload[name] for name in names}}


def _edit(event: Event, payload: Mapping[str, Any]) -> Row:
    names = ("interval_months", "interval_uses", "location")
    return "sieve_edit", _about_sieve(event, payload, *names)


def _use(event: Event, payload: Mapping[str, Any]) -> Row:
    return "use_log", _about_sieve(event, payload, "count", "note")


def _retirement(event: Event, payload: Mapping[str, Any]) -> Row:
    return "retirement", _about_sieve(event, payload, "reason")


_SIMPLE = {
    SIEVE_ADDED: _sieve,
    SIEVE_EDITED: _edit,
    USE_LOGGED: _use,
    SIEVE_RETIRED: _retirement,
}


def _check_rows(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    check_id = payload["check"]
    names = ["nominal_nm", "standard", "grade", "rule", "outcome", "action", "action_reason", "fit"]
    check = {
        "id": check_id,
        **_about_sieve(event, payload, *names),
        "reasons": json.dumps(payload["reasons"], ensure_ascii=False),
    }
    for axis in ("x", "y"):
        figures = payload[axis]
        check |= {f"{axis}_{name}": figures[name] for name in _FIGURES}
    margins = ("name", "direction", "value_um", "expanded_um", "limit_low_um", "limit_high_um")
    rows: list[Row] = [("sieve_check", check)]
    for position, margin in enumerate(payload["margins"]):
        row = {name: margin[name] for name in (*margins, "outcome")}
        rows.append(("check_margin", {"check_id": check_id, "position": position, **row}))
    for position, file in enumerate(payload["evidence"]):
        kept = {name: file[name] for name in ("sha256", "extension", "size")}
        told = {name: file[name] for name in ("sha256", "role", "name")}
        rows.append(("evidence", {**kept, "seq": event.seq}))
        rows.append(("check_evidence", {"check_id": check_id, "position": position, **told}))
    return rows
