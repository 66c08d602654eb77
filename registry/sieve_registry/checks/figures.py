"""From a measurement's JSON to the exact figures a check records."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sieve_inspect.outcomes import NOT_JUDGED
from sieve_registry.codec import plain_value
from sieve_registry.ledger.canonical import plain_name

_FIGURES = ("mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")


def check_figures(measurement: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a check's payload that comes from a `sieveward.measurement/1` dictionary.

    Lengths become decimal texts in um. Raises `KeyError` when the dictionary lacks something.
    """
    verdict = measurement.get("verdict") or {}
    return {
        "rule": str(verdict.get("rule", "")),
        "outcome": str(verdict.get("outcome", NOT_JUDGED)),
        "action": str(verdict.get("action", "")),
        "action_reason": str(verdict.get("action_reason", "")),
        "reasons": [str(reason) for reason in verdict.get("reasons", ())],
        "fit": str(measurement["imaging"]["fit"]),
        "x": _direction(measurement["directions"]["x"]),
        "y": _direction(measurement["directions"]["y"]),
        "margins": [_margin(row) for row in verdict.get("margins", ())],
        "images": [_image(image) for image in measurement["images"]],
        "shares": plain_value(verdict.get("shares", [])),
        "scale": plain_value(measurement["scale"]),
    }


def _image(image: Mapping[str, Any]) -> dict[str, str]:
    """Which scan, and how its encoding was chosen, which affects every width."""
    names = ("file", "sha256", "encoding", "encoding_reason")
    return {name: plain_name(str(image[name])) for name in names if name in image}


def _direction(values: Mapping[str, Any]) -> dict[str, Any]:
    return {"count": int(values["count"]), **{name: _decimal(values[name]) for name in _FIGURES}}


def _margin(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": str(row["name"]),
        "direction": str(row["direction"]),
        "value_um": _decimal(row["value_um"]),
        "expanded_um": _decimal(row.get("U_um")),
        **{name: _decimal(row.get(name)) for name in ("limit_low_um", "limit_high_um")},
        "outcome": str(row["outcome"]),
        **{name: _decimal(row[name]) for name in ("k", "dof") if row.get(name) is not None},
    }


def _decimal(value: float | None) -> object:
    return None if value is None else plain_value(float(value))
