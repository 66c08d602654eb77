"""From an event to the rows of the derived tables.

Recording uses it to insert, `verify` uses it to derive everything again and compare. A kind that
is not named here has no rows: it is read from the ledger itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from operator import itemgetter
from typing import Any

from sieve_registry.ledger import events
from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.ledger.records import USE_DETAILS, Event

Row = tuple[str, dict[str, Any]]  # the table's name, and its columns

_Payload = Mapping[str, Any]


def _picker(*names: str, prefix: str = "") -> Callable[[_Payload], dict[str, Any]]:
    """A function that takes named values of a payload; quick, `verify` runs it for every row."""
    columns, values = tuple(prefix + name for name in names), itemgetter(*names)
    return lambda payload: dict(zip(columns, values(payload), strict=True))


_SIEVE = _picker(
    "nominal_nm", "standard", "grade", "serial", "frame_nm", "in_service", "added_on",
    "interval_months", "interval_uses", "location", "maker",
)  # fmt: skip
_CHECK = _picker(
    "nominal_nm", "standard", "grade", "rule", "outcome", "action", "action_reason", "fit"
)
_FIGURES = (
    "count", "mean_um", "sd_um", "max_um", "wire_mean_um", "u_mean_um", "u_sd_um", "u_max_um",
)  # fmt: skip
_X, _Y = _picker(*_FIGURES, prefix="x_"), _picker(*_FIGURES, prefix="y_")
_MARGIN = _picker(
    "name", "direction", "value_um", "expanded_um", "limit_low_um", "limit_high_um", "outcome"
)
_LINK = _picker("sha256", "role", "name")
_FILE = _picker("sha256", "extension", "size")
_EDIT, _USE = _picker("interval_months", "interval_uses", "location"), _picker("count", "note")
_json = json.JSONEncoder(ensure_ascii=False).encode


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
        rows += [("evidence", {**_FILE(file), "seq": event.seq}) for file in payload["evidence"]]
    return rows


def _sieve(event: Event, payload: _Payload) -> list[Row]:
    details = canonical_text(payload.get("details", {}))
    row = {"id": event.subject, **_SIEVE(payload), "seq": event.seq, "details": details}
    return [("sieve", row)]


def _about_sieve(event: Event) -> dict[str, Any]:
    return {"seq": event.seq, "sieve_id": event.subject, "on_date": event.on_date}


def _edit(event: Event, payload: _Payload) -> list[Row]:
    details = canonical_text(payload.get("details", {}))
    return [("sieve_edit", {**_about_sieve(event), **_EDIT(payload), "details": details})]


def _use(event: Event, payload: _Payload) -> list[Row]:
    details = canonical_text({name: payload[name] for name in USE_DETAILS if name in payload})
    return [("use_log", {**_about_sieve(event), **_USE(payload), "details": details})]


def _retirement(event: Event, payload: _Payload) -> list[Row]:
    return [("retirement", {**_about_sieve(event), "reason": payload["reason"]})]


def _check_signature(event: Event, payload: _Payload) -> list[Row]:
    return [("signature", {"seq": event.seq, "check_id": payload["check"], "head": None})]


def _head_signature(event: Event, payload: _Payload) -> list[Row]:
    return [("signature", {"seq": event.seq, "check_id": None, "head": payload["head"]})]


def _check(event: Event, payload: _Payload) -> list[Row]:
    check_id, scale = payload["check"], payload["scale"]
    check = {
        "id": check_id,
        "sieve_id": event.subject,
        "on_date": event.on_date,
        **_CHECK(payload),
        "reasons": _json(payload["reasons"]),
        "scale_source": None if scale is None else scale.get("source"),
        "seq": event.seq,
        **_X(payload["x"]),
        **_Y(payload["y"]),
    }
    rows: list[Row] = [("sieve_check", check)]
    for position, margin in enumerate(payload["margins"]):
        row = {"check_id": check_id, "position": position, **_MARGIN(margin)}
        rows.append(("check_margin", row))
    for position, file in enumerate(payload["evidence"]):
        rows.append(("evidence", {**_FILE(file), "seq": event.seq}))
        link = {"check_id": check_id, "position": position, **_LINK(file)}
        rows.append(("check_evidence", link))
    return rows


_ROWS: dict[str, Callable[[Event, _Payload], list[Row]]] = {
    events.SieveAdded.KIND: _sieve,
    events.SieveEdited.KIND: _edit,
    events.UseLogged.KIND: _use,
    events.SieveRetired.KIND: _retirement,
    events.CheckRecorded.KIND: _check,
    events.CheckSigned.KIND: _check_signature,
    events.HeadSigned.KIND: _head_signature,
}
