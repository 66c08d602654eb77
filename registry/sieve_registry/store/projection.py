"""From an event to the rows of the derived tables: the one place where that is decided.

Recording uses it to insert, `verify` uses it to derive everything again and compare. A kind that
is not named here has no rows: it is read from the ledger itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from sieve_registry import events
from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.records import USE_DETAILS, Event

Row = tuple[str, dict[str, Any]]  # the table's name, and its columns

_VALUES = ("count", "mean_um", "sd_um", "max_um", "wire_mean_um")
_FIGURES = (*_VALUES, "u_mean_um", "u_sd_um", "u_max_um")
_X, _Y = (tuple((f"{axis}_{name}", name) for name in _FIGURES) for axis in ("x", "y"))
_reasons = json.JSONEncoder(ensure_ascii=False).encode


def rows_of(event: Event, payload: Any = None) -> list[Row]:
    """The derived rows of one event, in the order in which they may be inserted.

    `payload` is the event's, when it was read already. Raises `KeyError`, `TypeError` or
    `ValueError` when the payload is not what its kind promises.
    """
    if payload is None:
        payload = json.loads(event.payload)
    if not isinstance(payload, dict):
        raise TypeError("the payload is no object")
    derive = _ROWS.get(event.kind)
    rows = [] if derive is None else derive(event, payload)
    if event.kind != events.CheckRecorded.KIND and "evidence" in payload:
        rows += [("evidence", _kept(event, file)) for file in payload["evidence"]]
    return rows


def _sieve(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    names = ("nominal_nm", "standard", "grade", "serial", "frame_nm", "in_service", "added_on")
    rest = ("interval_months", "interval_uses", "location", "maker")
    row = {"id": event.subject, **{name: payload[name] for name in (*names, *rest)}}
    details = canonical_text(payload.get("details", {}))
    return [("sieve", {**row, "seq": event.seq, "details": details})]


def _about_sieve(event: Event, payload: Mapping[str, Any], *names: str) -> dict[str, Any]:
    head = {"seq": event.seq, "sieve_id": event.subject, "on_date": event.on_date}
    return {**head, **{name: payload[name] for name in names}}


def _edit(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    names = ("interval_months", "interval_uses", "location")
    row = _about_sieve(event, payload, *names)
    return [("sieve_edit", {**row, "details": canonical_text(payload.get("details", {}))})]


def _use(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    details = {name: payload[name] for name in USE_DETAILS if name in payload}
    row = _about_sieve(event, payload, "count", "note")
    return [("use_log", {**row, "details": canonical_text(details)})]


def _retirement(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    return [("retirement", _about_sieve(event, payload, "reason"))]


def _check_signature(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    return [("signature", {"seq": event.seq, "check_id": payload["check"], "head": None})]


def _head_signature(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    return [("signature", {"seq": event.seq, "check_id": None, "head": payload["head"]})]


def _check(event: Event, payload: Mapping[str, Any]) -> list[Row]:
    """Rows of a check. Spelled out, not looped over: `verify` makes them for every check."""
    check_id, scale = payload["check"], payload["scale"]
    check = {
        "id": check_id,
        "sieve_id": event.subject,
        "on_date": event.on_date,
        "nominal_nm": payload["nominal_nm"],
        "standard": payload["standard"],
        "grade": payload["grade"],
        "rule": payload["rule"],
        "outcome": payload["outcome"],
        "action": payload["action"],
        "action_reason": payload["action_reason"],
        "fit": payload["fit"],
        "reasons": _reasons(payload["reasons"]),
        "scale_source": None if scale is None else scale.get("source"),
        "seq": event.seq,
    }
    for names, figures in ((_X, payload["x"]), (_Y, payload["y"])):
        for column, name in names:
            check[column] = figures[name]
    rows: list[Row] = [("sieve_check", check)]
    for position, margin in enumerate(payload["margins"]):
        row = {
            "check_id": check_id,
            "position": position,
            "name": margin["name"],
            "direction": margin["direction"],
            "value_um": margin["value_um"],
            "expanded_um": margin["expanded_um"],
            "limit_low_um": margin["limit_low_um"],
            "limit_high_um": margin["limit_high_um"],
            "outcome": margin["outcome"],
        }
        rows.append(("check_margin", row))
    for position, file in enumerate(payload["evidence"]):
        link = {
            "check_id": check_id,
            "position": position,
            "sha256": file["sha256"],
            "role": file["role"],
            "name": file["name"],
        }
        rows.append(("evidence", _kept(event, file)))
        rows.append(("check_evidence", link))
    return rows


def _kept(event: Event, file: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "sha256": file["sha256"],
        "extension": file["extension"],
        "size": file["size"],
        "seq": event.seq,
    }


_ROWS: dict[str, Callable[[Event, Mapping[str, Any]], list[Row]]] = {
    events.SieveAdded.KIND: _sieve,
    events.SieveEdited.KIND: _edit,
    events.UseLogged.KIND: _use,
    events.SieveRetired.KIND: _retirement,
    events.CheckRecorded.KIND: _check,
    events.CheckSigned.KIND: _check_signature,
    events.HeadSigned.KIND: _head_signature,
}
