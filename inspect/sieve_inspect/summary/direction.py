"""What is known of one lattice direction of a cloth."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from sieve_inspect.summary.uncertainty import Contribution, combine, expanded, lines_of

__all__ = ["DirectionSummary"]


@dataclass(frozen=True)
class DirectionSummary:
    """One direction's apertures, lengths in um; `u_…` are standard uncertainties (k = 1).

    `sd_um` has the measuring noise of a single aperture subtracted; `max_um` is the largest
    aperture believed real, re-measured, with `u_max_um` its own uncertainty. `U_mean_um` is
    `k_mean` times u, with the `dof_mean` effective degrees of freedom that k is taken for;
    `population` is the number of apertures of the whole cloth where that is known.
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
    U_mean_um: float = math.nan
    k_mean: float = math.nan
    dof_mean: float = math.nan
    population: int | None = None

    def with_budget(self, lines: Iterable[Contribution]) -> DirectionSummary:
        """The same with u, U, k and degrees of freedom of the mean from these lines."""
        of_mean = lines_of(lines)
        whole = expanded(of_mean)
        return replace(
            self,
            u_mean_um=combine(of_mean),
            U_mean_um=whole.value_um,
            k_mean=whole.k,
            dof_mean=whole.dof,
        )
