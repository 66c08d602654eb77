"""Repeatability and reproducibility after ISO 5725-2, one-way layout, p groups of n_i values.

    s_r² = MS_within = Σ (n_i − 1) s_i² / Σ (n_i − 1)
    s_L² = (MS_between − s_r²) / n̄, at least 0,   n̄ = (N − Σ n_i² / N) / (p − 1)
    s_R² = s_L² + s_r²
    Cochran  C = s_max² / Σ s_i²          groups of equal size; is the largest spread too large?
    Grubbs   G = max |x̄_i − x̿| / s(x̄)     is the farthest mean too far off?

A group is a laboratory in the standard; here an operator, a device or a day does as well.
Critical values: 1 % outlier, 5 % straggler, from the F and t distributions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import fmean, stdev, variance

from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.uncertainty import Contribution


@dataclass(frozen=True)
class Outlier:
    """A group that a test rejects: "straggler" (5 %) or "outlier" (1 %)."""

    test: str
    group: str
    statistic: float
    critical: float
    level: str


@dataclass(frozen=True)
class Precision:
    """An analysis of variance, in the values' unit; degrees of freedom beside the squares."""

    groups: tuple[str, ...]
    counts: tuple[int, ...]
    means: tuple[float, ...]
    mean: float
    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    f: float
    p_value: float
    s_r: float
    s_L: float  # noqa: N815 - the standard's letters
    s_R: float  # noqa: N815
    outliers: tuple[Outlier, ...]

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups, s_r²."""
        return self.ss_within / self.df_within

    @property
    def dof_R(self) -> float:  # noqa: N802
        """Degrees of freedom of s_R (Welch–Satterthwaite of the two mean squares).

        s_R² = MS_between / n̄ + MS_within (1 − 1/n̄); those of s_r where no group stands out.
        """
        if self.s_L == 0 or self.s_R == 0:
            return float(self.df_within)
        n = sum(self.counts)
        typical = (n - sum(count**2 for count in self.counts) / n) / self.df_between
        between, within = self.ms_between / typical, self.ms_within * (1 - 1 / typical)
        below = between**2 / self.df_between + within**2 / self.df_within
        return (between + within) ** 2 / below

    @property
    def r_limit(self) -> float:
        """Two results under the same conditions differ by more in 5 % of cases (2.8 s_r)."""
        return 2.8 * self.s_r

    @property
    def R_limit(self) -> float:  # noqa: N802
        """Two results of different groups differ by more in 5 % of cases (2.8 s_R)."""
        return 2.8 * self.s_R


def precision(values: Mapping[str, Sequence[float]]) -> Precision:
    """Analyse values (one unit) by group.

    Raises `ValueError` for fewer than two groups, or no group with two values.
    """
    from scipy.special import fdtrc

    groups = {name: list(group) for name, group in values.items() if len(group)}
    counts = [len(group) for group in groups.values()]
    p, n = len(groups), sum(counts)
    if p < 2:
        raise ValueError("at least two groups are needed")
    if n <= p:
        raise ValueError("at least one group needs two values or more")
    means = [fmean(group) for group in groups.values()]
    mean = math.fsum(x for group in groups.values() for x in group) / n
    within = math.fsum(
        (x - m) ** 2 for group, m in zip(groups.values(), means, strict=True) for x in group
    )
    between = math.fsum(c * (m - mean) ** 2 for c, m in zip(counts, means, strict=True))
    df_between, df_within = p - 1, n - p
    ms_between, ms_within = between / df_between, within / df_within
    typical = (n - sum(c * c for c in counts) / n) / df_between
    s_l2 = max((ms_between - ms_within) / typical, 0.0)
    f = ms_between / ms_within if ms_within > 0 else math.inf
    return Precision(
        groups=tuple(groups),
        counts=tuple(counts),
        means=tuple(means),
        mean=mean,
        ss_between=between,
        ss_within=within,
        df_between=df_between,
        df_within=df_within,
        f=f,
        p_value=float(fdtrc(df_between, df_within, f)) if math.isfinite(f) else 0.0,
        s_r=math.sqrt(ms_within),
        s_L=math.sqrt(s_l2),
        s_R=math.sqrt(s_l2 + ms_within),
        outliers=tuple(_outliers(groups, means)),
    )


def cochran_critical(p: int, n: int, alpha: float) -> float:
    """The critical value of Cochran's C for p groups of n values."""
    from scipy.special import fdtri

    f = float(fdtri((p - 1) * (n - 1), n - 1, alpha / p))
    return 1 / (1 + (p - 1) * f)


def grubbs_critical(p: int, alpha: float) -> float:
    """The two-sided critical value of Grubbs' G for the farthest of p means."""
    from scipy.special import stdtrit

    t2 = float(stdtrit(p - 2, alpha / (2 * p))) ** 2
    return (p - 1) / math.sqrt(p) * math.sqrt(t2 / (p - 2 + t2))


def _outliers(groups: Mapping[str, Sequence[float]], means: Sequence[float]) -> Iterator[Outlier]:
    names, p = list(groups), len(groups)
    sizes = {len(values) for values in groups.values()}
    if len(sizes) == 1 and (n := sizes.pop()) > 1:
        spreads = [variance(values) for values in groups.values()]
        if (total := sum(spreads)) > 0:
            largest, worst = max(zip(spreads, names, strict=True))
            yield from _rejected("Cochran", worst, largest / total, partial(cochran_critical, p, n))
    if p >= 3 and stdev(means) > 0:
        middle, spread = fmean(means), stdev(means)
        g, farthest = max((abs(m - middle) / spread, n) for m, n in zip(means, names, strict=True))
        yield from _rejected("Grubbs", farthest, g, partial(grubbs_critical, p))


def _rejected(
    test: str, group: str, value: float, critical: Callable[[float], float]
) -> Iterator[Outlier]:
    for alpha, level in ((0.01, "outlier"), (0.05, "straggler")):
        if value > (limit := critical(alpha)):
            yield Outlier(test, group, value, limit, level)
            return


def with_study(
    summary: DirectionSummary,
    budget: Sequence[Contribution],
    study: Sequence[Contribution],
    direction: str,
) -> tuple[DirectionSummary, list[Contribution]]:
    """One direction with further lines of the mean in its budget (um, k = 1).

    The s_R of a repeatability study counts for the mean and the largest aperture, not for s. It
    holds some of what the budget has already, so the sum is on the safe side.
    """
    extended = [*budget, *(line for line in study if line.direction == direction)]
    return summary.with_budget(extended), extended
