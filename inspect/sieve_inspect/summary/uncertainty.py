"""Uncertainty budgets after the GUM (JCGM 100:2008).

u_c² = Σ u_i²                       independent contributions, already in the result's unit
ν_eff = u_c⁴ / Σ (u_i⁴ / ν_i)       Welch–Satterthwaite (G.4.1)
U = k u_c                           k = 2 unless said otherwise
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

__all__ = ["Contribution", "combine", "effective_dof"]


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: standard uncertainty `value_um` (um) and its degrees of freedom."""

    name: str
    direction: str
    value_um: float
    dof: float = math.inf

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; infinite degrees of freedom are null."""
        return {
            "name": self.name,
            "direction": self.direction,
            "value_um": self.value_um,
            "dof": self.dof if math.isfinite(self.dof) else None,
        }


def combine(contributions: Iterable[Contribution]) -> float:
    """Combined standard uncertainty (um) of independent contributions."""
    return math.sqrt(sum(c.value_um**2 for c in contributions))


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Effective degrees of freedom of the combination; infinite where nothing limits them."""
    lines = list(contributions)
    below = sum(c.value_um**4 / c.dof for c in lines if math.isfinite(c.dof) and c.dof > 0)
    return combine(lines) ** 4 / below if below > 0 else math.inf
