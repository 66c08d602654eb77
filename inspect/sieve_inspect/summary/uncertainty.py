"""Uncertainty budgets after the GUM (JCGM 100:2008).

u_c² = Σ u_i²                       independent contributions, already in the result's unit
ν_eff = u_c⁴ / Σ (u_i⁴ / ν_i)       Welch–Satterthwaite (G.4.1)
U = k u_c                           k = t for 95.45 % at ν_eff (G.6.4): 2.00 where it is infinite
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sieve_inspect.summary.student import student_quantile

COVERAGE = 0.9545  # of a normal distribution within two standard deviations


class BudgetSource(StrEnum):
    """What a line of a budget comes from, and so what makes it smaller."""

    SAMPLING = "sampling"  # more apertures
    SCALE = "scale"  # a better scale artefact
    IMAGING = "imaging"  # a better picture
    LIGHT = "light"  # a known lamp and view
    REPRODUCIBILITY = "reproducibility"  # less spread between persons, devices and days


class Quantity(StrEnum):
    """The result a line of a budget belongs to."""

    MEAN = "mean"
    LARGEST = "max"
    DEVIATION = "sd"


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: standard uncertainty `value_um` (um) and its degrees of freedom.

    `direction` is "x" or "y", `of` the result it belongs to. `common` is true for what shifts every
    aperture alike, so that it counts for the largest aperture as it does for the mean. `basis` is
    where an assumed value is from, and `remedy` what takes its place; "" for a known value.
    """

    name: str
    direction: str
    value_um: float
    dof: float = math.inf
    of: Quantity = Quantity.MEAN
    source: BudgetSource = BudgetSource.IMAGING
    common: bool = True
    basis: str = ""
    remedy: str = ""

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; infinite degrees of freedom are null."""
        dof = self.dof if math.isfinite(self.dof) else None
        line = {"name": self.name, "direction": self.direction, "value_um": self.value_um}
        assumed = {"basis": self.basis, "remedy": self.remedy} if self.basis else {}
        return {**line, "dof": dof, "of": str(self.of), **assumed}


@dataclass(frozen=True)
class Expanded:
    """Combined standard uncertainty (um), its effective degrees of freedom and coverage factor."""

    u_um: float
    dof: float
    k: float

    @property
    def value_um(self) -> float:
        """Expanded uncertainty U = k u, um."""
        return self.k * self.u_um


def combine(contributions: Iterable[Contribution]) -> float:
    """Combined standard uncertainty (um) of independent contributions."""
    return math.sqrt(sum(c.value_um**2 for c in contributions))


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Effective degrees of freedom of the combination; infinite where nothing limits them."""
    lines = list(contributions)
    below = sum(c.value_um**4 / c.dof for c in lines if math.isfinite(c.dof) and c.dof > 0)
    return combine(lines) ** 4 / below if below > 0 else math.inf


def whole_dof(dof: float) -> float:
    """Degrees of freedom rounded down as G.4.1 asks, at least 1; infinity stays."""
    return float(max(1, math.floor(dof))) if math.isfinite(dof) else math.inf


def expanded(contributions: Iterable[Contribution]) -> Expanded:
    """The combination with its k for 95.45 %. Degrees of freedom are rounded down (G.4.1).

    An assumed line has no limit to its degrees of freedom and raises those of the sum, so that U
    could shrink by what is not known: then k is that of as few degrees as keep U as large.
    """
    lines = list(contributions)
    total = _expanded(lines)
    known = _expanded([line for line in lines if not line.basis])
    if total.value_um >= known.value_um:
        return total
    dof = 1.0
    while _k(dof + 1) * total.u_um >= known.value_um:
        dof += 1
    return Expanded(total.u_um, dof, _k(dof))


def _expanded(lines: Sequence[Contribution]) -> Expanded:
    dof = effective_dof(lines)
    return Expanded(combine(lines), dof, _k(dof))


def _k(dof: float) -> float:
    """Student's t for 95.45 % at degrees of freedom rounded down; 2 where nothing limits them."""
    if not math.isfinite(dof):
        return 2.0
    return student_quantile(0.5 + COVERAGE / 2, whole_dof(dof))


def lines_of(
    contributions: Iterable[Contribution], of: Quantity = Quantity.MEAN
) -> list[Contribution]:
    """The lines that make one result uncertain; the largest aperture shares the common ones."""
    shared = Quantity.MEAN if of == Quantity.LARGEST else None
    return [c for c in contributions if c.of == of or (c.common and c.of == shared)]
