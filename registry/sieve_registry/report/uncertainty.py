"""The expanded uncertainties of a check as it was judged and recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sieve_registry.report.formatting import known

__all__ = ["Expanded", "expanded_of"]

# Quantity of a direction: the name of its margin, and the key of its standard uncertainty.
_QUANTITIES = {
    "mean_um": ("mean", "u_mean_um"),
    "sd_um": ("standard deviation", "u_sd_um"),
    "max_um": ("largest aperture", "u_max_um"),
}


@dataclass(frozen=True)
class Expanded:
    """An expanded uncertainty in um with its coverage factor and degrees of freedom (None: inf)."""

    U_um: float
    k: float = 2.0
    dof: float | None = None


def expanded_of(
    measurement: Mapping[str, Any], verdict: Mapping[str, Any], direction: str, quantity: str
) -> Expanded | None:
    """U of "mean_um", "sd_um" or "max_um" in a direction, None if unknown.

    It is the U of the margin that was judged. A check without limits has the U of its mean with
    its own k; for anything else k is 2.
    """
    name, key = _QUANTITIES[quantity]
    for margin in verdict.get("margins") or ():
        if (margin.get("name"), margin.get("direction")) == (name, direction):
            judged = known(margin.get("U_um"))
            if judged is not None:
                return Expanded(judged, known(margin.get("k")) or 2.0, known(margin.get("dof")))
    summary = (measurement.get("directions") or {}).get(direction) or {}
    k, expanded = known(summary.get("k_mean")), known(summary.get("U_mean_um"))
    if quantity == "mean_um" and k is not None and expanded is not None:
        return Expanded(expanded, k, known(summary.get("dof_mean")))
    u = known(summary.get(key))
    return None if u is None else Expanded(2 * u)
