"""Summary of one lattice direction of a cloth."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import Any

from sieve_inspect.summary.fields import FieldScatter
from sieve_inspect.summary.uncertainty import Contribution, Quantity, expanded, lines_of


@dataclass(frozen=True)
class DirectionSummary:
    """One direction's apertures, lengths in um; `u_…` are standard uncertainties (k = 1).

    `sd_um` has the measuring noise of a single aperture subtracted; `max_um` is the largest
    aperture believed real, re-measured, with `u_max_um` its own uncertainty. Each u has its
    coverage factor `k_…` for 95.45 % and the effective degrees of freedom `dof_…` (infinite: k = 2)
    behind it, and an expanded uncertainty `U_…` = k u. `population` is the number of apertures of
    the whole cloth where that is known. `scatter` is that between fields as counted, `own_scatter`
    that of these fields alone, None for a single field.
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
    scatter: FieldScatter | None = None
    own_scatter: FieldScatter | None = None

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
        """The same with u, k and degrees of freedom of each result that has lines here."""
        budget, changes = list(lines), dict[str, Any]()
        for of in Quantity:
            if own := lines_of(budget, of):
                total = expanded(own)
                changes |= {f"u_{of}_um": total.u_um, f"k_{of}": total.k, f"dof_{of}": total.dof}
        return replace(self, **changes)

    def to_dict(self) -> dict[str, Any]:
        """The `directions` entry of schema `sieveward.measurement/1`; numbers as they are."""
        figures = asdict(self)
        for name in ("k_sd", "dof_sd", "k_max", "dof_max", "scatter", "own_scatter"):
            del figures[name]
        last = {name: figures.pop(name) for name in ("k_mean", "dof_mean", "population")}
        return {
            **figures,
            "U_mean_um": self.U_mean_um,
            **last,
            "between_fields": self._between_fields(),
        }

    def _between_fields(self) -> dict[str, Any] | None:
        if self.scatter is None:
            return None
        own = self.own_scatter
        return {
            "s_um": self.scatter.s_um,
            "dof": self.scatter.dof,
            "source": str(self.scatter.source),
            "own_s_um": None if own is None else own.s_um,
            "own_dof": None if own is None else own.dof,
        }
