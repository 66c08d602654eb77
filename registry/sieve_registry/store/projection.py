"""From an event to the rows of the derived tables.

Recording uses it to insert, `verify` uses it to derive everything again and compare. A kind that
is not named here has no rows: it is read from the ledger itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from json.encoder import encode_basestring as _quoted
from operator import itemgetter
from typing import Any

from sieve_registry.ledger import events
from sieve_registry.ledger.canonical import canonical_text, read_payload
from sieve_registry.ledger.records import USE_DETAILS, Event

Rows = dict[str, list[tuple[Any, ...]]]  # by table: the values of the columns in order

_Payload = Mapping[str, Any]

# Named values of a payload; quick, `verify` takes them for every row.
_SIEVE = itemgetter(
    "nominal_nm", "standard", "grade", "serial", "frame_nm", "in_service", "added_on",
    "interval_months", "interval_uses", "location", "maker",
)  # fmt: skip
_CHECK = itemgetter("nominal_nm", "standard", "grade", "rule", "outcome", "action", "action_reason")
_FIGURES = itemgetter(
    "count", "mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um"
)
_MARGIN = itemgetter(
    "name", "direction", "value_um", "expanded_um", "limit_low_um", "limit_high_um", "outcome"
)
_LINK = itemgetter("sha256", "role", "name")
_FILE = itemgetter("sha256", "extension", "size")
_EDIT, _USE = (
    itemgetter("interval_months", "interval_uses", "location"),
    itemgetter("count", "note"),
)


def rows_of(event: Event, payload: Any = None) -> Rows:
    """The derived rows of one event, by table in the order in which they may be inserted.

    `payload` is the event's, when it was read already. Raises `KeyError`, `TypeError` or
    `ValueError` when the payload is not what its kind promises.
    """
    if payload is None:
        payload = read_payload(event.payload)
    if not isinstance(payload, dict):
        raise TypeError("the payload is no object")
    rows: Rows = {}
    if "evidence" in payload:
        rows["evidence"] = [(*_FILE(file), event.seq) for file in payload["evidence"]]
    derive = _ROWS.get(event.kind)
    if derive is not None:
        rows.update(derive(event, payload))
    return rows


def _sieve(event: Event, payload: _Payload) -> Rows:
    details = canonical_text(payload.get("details", {}))
    return {"sieve": [(event.subject, *_SIEVE(payload), event.seq, details)]}


def _about_sieve(event: Event) -> tuple[int, str, str]:
    return event.seq, event.subject, event.on_date


def _edit(event: Event, payload: _Payload) -> Rows:
    details = canonical_text(payload.get("details", {}))
    return {"sieve_edit": [(*_about_sieve(event), *_EDIT(payload), details)]}


def _use(event: Event, payload: _Payload) -> Rows:
    details = canonical_text({name: payload[name] for name in USE_DETAILS if name in payload})
    return {"use_log": [(*_about_sieve(event), *_USE(payload), details)]}


def _retirement(event: Event, payload: _Payload) -> Rows:
    return {"retirement": [(*_about_sieve(event), payload["reason"])]}


def _check_signature(event: Event, payload: _Payload) -> Rows:
    return {"signature": [(event.seq, payload["check"], None)]}


def _head_signature(event: Event, payload: _Payload) -> Rows:
    return {"signature": [(event.seq, None, payload["head"])]}


def _texts(reasons: object) -> str:
    """A list as JSON; of texts in half the time of the standard library."""
    if isinstance(reasons, list):
        try:
            return f"[{', '.join(map(_quoted, reasons))}]"
        except TypeError:  # something else than texts
            pass
    return json.dumps(reasons, ensure_ascii=False)


def _check(event: Event, payload: _Payload) -> Rows:
    check_id, scale = payload["check"], payload["scale"]
    check = (
        check_id,
        event.subject,
        event.on_date,
        *_CHECK(payload),
        _texts(payload["reasons"]),
        payload["fit"],
        *_FIGURES(payload["x"]),
        *_FIGURES(payload["y"]),
        event.seq,
        None if scale is None else scale.get("source"),
    )
    margins = [
        (check_id, position, *_MARGIN(margin)) for position, margin in enumerate(payload["margins"])
    ]
    links = [
        (check_id, position, *_LINK(file)) for position, file in enumerate(payload["evidence"])
    ]
    return {"sieve_check": [check], "check_margin": margins, "check_evidence": links}


_ROWS: dict[str, Callable[[Event, _Payload], Rows]] = {
    events.SieveAdded.KIND: _sieve,
    events.SieveEdited.KIND: _edit,
    events.UseLogged.KIND: _use,
    events.SieveRetired.KIND: _retirement,
    events.CheckRecorded.KIND: _check,
    events.CheckSigned.KIND: _check_signature,
    events.HeadSigned.KIND: _head_signature,
}
