"""Uncertainty budgets after the GUM (JCGM 100:2008).

u_c² = Σ u_i²                       independent contributions, already in the result's unit
ν_eff = u_c⁴ / Σ (u_i⁴ / ν_i)       Welch–Satterthwaite (G.4.1)
U = k u_c                           k = t for 95.45 % at ν_eff (G.6.4): 2.00 where it is infinite
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

__all__ = ["Contribution", "Expanded", "combine", "effective_dof", "expanded", "lines_of"]

_COVERAGE = 0.9545  # of a normal distribution within two standard deviations


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: standard uncertainty `value_um` (um) and its degrees of freedom.

    `of` tells what is uncertain by it: the "mean", the "max" or the "sd" of a direction.
    """

    name: str
    direction: str
    value_um: float
    dof: float = math.inf
    of: str = "mean"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; infinite degrees of freedom are null."""
        return {
            "name": self.name,
            "direction": self.direction,
            "value_um": self.value_um,
            "dof": self.dof if math.isfinite(self.dof) else None,
            "of": self.of,
        }


@dataclass(frozen=True)
class Expanded:
    """Expanded uncertainty U = k u (um), with the effective degrees of freedom behind k."""

    dof: float
    k: float
    value_um: float


def combine(contributions: Iterable[Contribution]) -> float:
    """Combined standard uncertainty (um) of independent contributions."""
    return math.sqrt(sum(c.value_um**2 for c in contributions))


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Effective degrees of freedom of the combination; infinite where nothing limits them."""
    lines = list(contributions)
    below = sum(c.value_um**4 / c.dof for c in lines if math.isfinite(c.dof) and c.dof > 0)
    return combine(lines) ** 4 / below if below > 0 else math.inf


def expanded(contributions: Iterable[Contribution]) -> Expanded:
    """U of the combination, for 95.45 %. Degrees of freedom are rounded down (G.4.1)."""
    lines = list(contributions)
    dof, k = effective_dof(lines), 2.0
    if math.isfinite(dof):
        from scipy.special import stdtrit

        k = float(stdtrit(max(1, math.floor(dof)), 0.5 + _COVERAGE / 2))
    return Expanded(dof, k, k * combine(lines))


def lines_of(contributions: Iterable[Contribution], of: str = "mean") -> list[Contribution]:
    """The lines that make one quantity uncertain."""
    return [c for c in contributions if c.of == of]
