"""Summary of one lattice direction of a cloth."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from sieve_inspect.summary.uncertainty import (
    Contribution,
    Expanded,
    Quantity,
    expanded,
    lines_of,
)


@dataclass(frozen=True)
class DirectionSummary:
    """One direction's apertures, lengths in um; `u_…` are standard uncertainties (k = 1).

    `sd_um` has the measuring noise of a single aperture subtracted; `max_um` is the largest
    aperture believed real, re-measured, with `u_max_um` its own uncertainty. Each u has its
    coverage factor `k_…` for 95.45 % and the effective degrees of freedom `dof_…` (infinite: k = 2)
    behind it, and an expanded uncertainty `U_…` = k u. `population` is the number of apertures of
    the whole cloth where that is known.
    """

    count: int
    mean_um: float
    sd_um: float
    min_um: float
    max_um: float
    median_um: float
    u_mean_um: float
    u_sd_um: float
    u_max_um: float
    wire_mean_um: float
    wire_count: int
    pitch_um: float
    odd_even_um: float
    k_mean: float = 2.0
    dof_mean: float = math.inf
    k_sd: float = 2.0
    dof_sd: float = math.inf
    k_max: float = 2.0
    dof_max: float = math.inf
    population: int | None = None

    @property
    def U_mean_um(self) -> float:  # noqa: N802  (U is the symbol of the GUM)
        """Expanded uncertainty of the mean, um."""
        return self.k_mean * self.u_mean_um

    @property
    def U_sd_um(self) -> float:  # noqa: N802
        """Expanded uncertainty of the standard deviation, um."""
        return self.k_sd * self.u_sd_um

    @property
    def U_max_um(self) -> float:  # noqa: N802
        """Expanded uncertainty of the largest aperture, um."""
        return self.k_max * self.u_max_um

    def with_budget(self, lines: Iterable[Contribution]) -> DirectionSummary:
        """The same with u, k and degrees of freedom of mean, s and largest from these lines.

        A result without lines keeps its own.
        """
        budget = list(lines)
        mean, sd, largest = (
            expanded(own) if (own := lines_of(budget, of)) else before
            for of, before in (
                (Quantity.MEAN, Expanded(self.u_mean_um, self.dof_mean, self.k_mean)),
                (Quantity.DEVIATION, Expanded(self.u_sd_um, self.dof_sd, self.k_sd)),
                (Quantity.LARGEST, Expanded(self.u_max_um, self.dof_max, self.k_max)),
            )
        )
        return replace(
            self,
            u_mean_um=mean.u_um,
            k_mean=mean.k,
            dof_mean=mean.dof,
            u_sd_um=sd.u_um,
            k_sd=sd.k,
            dof_sd=sd.dof,
            u_max_um=largest.u_um,
            k_max=largest.k,
            dof_max=largest.dof,
        )

    def to_dict(self) -> dict[str, Any]:
        """The `directions` entry of schema `sieveward.measurement/1`; numbers as they are."""
        return {
            "count": self.count,
            "mean_um": self.mean_um,
            "sd_um": self.sd_um,
            "min_um": self.min_um,
            "max_um": self.max_um,
            "median_um": self.median_um,
            "u_mean_um": self.u_mean_um,
            "u_sd_um": self.u_sd_um,
            "u_max_um": self.u_max_um,
            "wire_mean_um": self.wire_mean_um,
            "wire_count": self.wire_count,
            "pitch_um": self.pitch_um,
            "odd_even_um": self.odd_even_um,
            "U_mean_um": self.U_mean_um,
            "k_mean": self.k_mean,
            "dof_mean": self.dof_mean,
            "population": self.population,
        }
