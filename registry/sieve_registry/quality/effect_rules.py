"""What a sieve's real apertures do to a reported size distribution.

    F      percent passing over size, from the distribution given (linear over log size)
    at nominal        F(w)
    at the mean       F(a),            a the mean aperture of both directions
    over all          (1/n) Σ F(a_i)   a_i the widths measured, as if every particle met one of
                                       them by chance; many trials bring out the widest ones, so
                                       the truth lies at or above it
    uncertainty       U = (F(a + 2u) − F(a − 2u)) / 2 for the mean, likewise shifted for all

A shift is held against the spread between laboratories, s_R < 0.05 √(P (100 − P)) % (aggregate
sieving, BRE ring trial). That a third of s_R is little is common practice, no source: it adds
5 % to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

__all__ = ["Passing", "SieveEffect", "effect_of", "fractions", "spread_between_laboratories"]

_LITTLE = 1 / 3


class PassingCurve(Protocol):
    """Percent passing over size (um)."""

    def passing(self, size: float) -> float:
        """Percent passing at a size in um."""


@dataclass(frozen=True)
class Passing:
    """Percent passing with its expanded uncertainty (k = 2), and the shift from nominal."""

    percent: float
    U_percent: float
    shift: float


@dataclass(frozen=True)
class SieveEffect:
    """One sieve's effect on a distribution; `over_all` is None where no widths were kept."""

    sieve_id: str
    check_id: str
    nominal_um: float
    mean_um: float
    U_mean_um: float
    at_nominal: float
    at_mean: Passing
    over_all: Passing | None
    s_between: float
    inside: bool  # whether the distribution says something about these sizes

    @property
    def main(self) -> Passing:
        """The shift to go by: over all widths where they are known."""
        return self.over_all if self.over_all is not None else self.at_mean

    @property
    def verdict(self) -> str:
        """Whether the shift matters, in a few words."""
        if not self.inside:
            return "outside the distribution"
        shift = abs(self.main.shift)
        if shift <= self.main.U_percent and self.main.U_percent > 0:
            return "cannot be told from none"
        if shift <= _LITTLE * self.s_between:
            return "small beside s_R"
        return "noticeable beside s_R" if shift < self.s_between else "as large as s_R or more"

    @property
    def matters(self) -> bool:
        """Whether it is worth correcting or telling: plain, and over a third of s_R."""
        return self.verdict in ("noticeable beside s_R", "as large as s_R or more")


def spread_between_laboratories(percent: float) -> float:
    """The upper bound of s_R in percent for a percentage passing (BRE ring trial)."""
    return 0.05 * math.sqrt(max(percent * (100 - percent), 0.0))


def effect_of(
    curve: PassingCurve,
    sieve_id: str,
    check_id: str,
    nominal_um: float,
    mean_um: float,
    U_mean_um: float,
    widths_um: Sequence[float],
    *,
    inside: bool,
) -> SieveEffect:
    """The effect of one checked sieve; `widths_um` are all widths measured, both directions."""
    nominal = curve.passing(nominal_um)
    at_mean = curve.passing(mean_um)
    half = (curve.passing(mean_um + U_mean_um) - curve.passing(mean_um - U_mean_um)) / 2
    over_all = None
    if widths_um:

        def average(shift: float) -> float:
            return math.fsum(curve.passing(max(a + shift, 1e-6)) for a in widths_um) / len(
                widths_um
            )

        middle = average(0.0)
        spread = (average(U_mean_um) - average(-U_mean_um)) / 2
        over_all = Passing(middle, spread, middle - nominal)
    return SieveEffect(
        sieve_id=sieve_id,
        check_id=check_id,
        nominal_um=nominal_um,
        mean_um=mean_um,
        U_mean_um=U_mean_um,
        at_nominal=nominal,
        at_mean=Passing(at_mean, half, at_mean - nominal),
        over_all=over_all,
        s_between=spread_between_laboratories(nominal),
        inside=inside,
    )


def fractions(effects: Sequence[SieveEffect]) -> list[tuple[str, float, float]]:
    """Percent of the sample that stays on each sieve of a stack and in the pan.

    Rows of name, at nominal, as measured; coarse on top.
    """
    rows = []
    above_nominal = above_real = 100.0
    for one in sorted(effects, key=lambda e: -e.nominal_um):
        real = one.main.percent
        rows.append((one.sieve_id, above_nominal - one.at_nominal, above_real - real))
        above_nominal, above_real = one.at_nominal, real
    return [*rows, ("pan", above_nominal, above_real)]
