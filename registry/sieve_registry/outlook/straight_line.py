"""Straight lines through values whose uncertainties are known and partly shared.

    y = X β + e,  cov(e) = V = diag(u_i²) + Σ_g c_g c_gᵀ      c_g: what a group of values shares
    β = C Xᵀ V⁻¹ y,  C = (Xᵀ V⁻¹ X)⁻¹                          generalised least squares
    χ² = rᵀ V⁻¹ r over n − p: where it is too large at 5 %, C is widened by χ²/(n − p) and
         Student's t takes the place of the normal (Birge ratio)

Where a line a + b t reaches a level L, after Fieller, from the θ that satisfy

    (a + b θ − L)² ≤ q² (C_aa + 2 θ C_ab + θ² C_bb)

an interval if b² > q² C_bb, that is if the slope differs significantly from zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
LEVEL = 0.95


@dataclass(frozen=True)
class Point:
    """A value with its standard uncertainties, in one unit.

    `u` is its own; `common` is shared with all points of the same `group`.
    """

    value: float
    u: float
    common: float = 0.0
    group: str = ""


@dataclass(frozen=True, eq=False)
class Fit:
    """Parameters (p,) with their covariance (p, p), widened by `scatter_factor`².

    `scatter_factor` is 1 unless the values vary more than their uncertainties. A standard
    uncertainty times `quantile` is half a 95 % interval.
    """

    beta: Float
    cov: Float
    dof: int
    chi2: float
    scatter_factor: float
    quantile: float

    def half_width(self, index: int) -> float:
        """Half the 95 % interval of one parameter."""
        return self.quantile * math.sqrt(float(self.cov[index, index]))

    def interval(self, index: int) -> tuple[float, float]:
        """The 95 % interval of one parameter."""
        half = self.half_width(index)
        return float(self.beta[index]) - half, float(self.beta[index]) + half

    def at(self, row: Float) -> tuple[float, float]:
        """The value of row · β and its standard uncertainty."""
        return float(row @ self.beta), math.sqrt(max(float(row @ self.cov @ row), 0.0))


@dataclass(frozen=True)
class Crossing:
    """Where a line reaches a level: best value with its 95 % interval, in the unit of t."""

    best: float
    low: float
    high: float


def covariance(points: Sequence[Point]) -> Float:
    """The covariance matrix (n, n) of the values."""
    v = np.diag([p.u**2 for p in points])
    for group in {p.group for p in points}:
        shared = np.array([p.common if p.group == group else 0.0 for p in points])
        v = v + np.outer(shared, shared)
    return v


def line_design(parts: Sequence[int], *slopes: Sequence[float] | Float) -> Float:
    """The design (n, p) of lines that share their slopes and have a level for each part.

    One column for each part present, in order, then one for each of `slopes` (n,).
    """
    levels = [[float(part == level) for part in parts] for level in sorted(set(parts))]
    return np.column_stack([*levels, *slopes])


def fit(design: Float, points: Sequence[Point]) -> Fit | None:
    """Generalised least squares of a design (n, p); None where it cannot be solved."""
    return least_squares(design, np.array([p.value for p in points]), covariance(points))


def least_squares(design: Float, y: Float, v: Float) -> Fit | None:
    """The same for values y (n,) of any covariance v (n, n)."""
    n, p = design.shape
    if n < p or np.linalg.matrix_rank(design) < p or np.linalg.matrix_rank(v) < n:
        return None
    root = np.linalg.cholesky(v)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, y)
    # QR keeps full precision where the columns are nearly parallel.
    q, r = np.linalg.qr(a)
    beta = np.linalg.solve(r, q.T @ b)
    inverse = np.linalg.inv(r)
    chi2 = float(((b - a @ beta) ** 2).sum())
    return _judged(beta, inverse @ inverse.T, n - p, chi2)


def _judged(beta: Float, cov: Float, dof: int, chi2: float) -> Fit:
    """The fit with its covariance widened where the scatter is more than stated."""
    normal = NormalDist().inv_cdf(0.5 + LEVEL / 2)
    if dof > 0:
        from scipy.special import chdtrc, stdtrit

        if float(chdtrc(dof, chi2)) < 1 - LEVEL:
            widened = chi2 / dof
            quantile = float(stdtrit(dof, 0.5 + LEVEL / 2))
            return Fit(beta, cov * widened, dof, chi2, math.sqrt(widened), quantile)
    return Fit(beta, cov, dof, chi2, 1.0, normal)


def crossing(line: Fit, start: Float, slope: Float, level: float) -> Crossing | None:
    """Where start · β + t (slope · β) reaches `level`, as an interval after Fieller.

    `start` and `slope` (p,) pick intercept and slope from the parameters. None where the slope
    does not differ significantly from zero, for then no interval of t is bounded.
    """
    a, b = float(start @ line.beta) - level, float(slope @ line.beta)
    q2 = line.quantile**2
    caa = q2 * float(start @ line.cov @ start)
    cab = q2 * float(start @ line.cov @ slope)
    cbb = q2 * float(slope @ line.cov @ slope)
    lead = b * b - cbb
    if lead <= 0 or b == 0:
        return None
    half = a * b - cab
    root = math.sqrt(max(half * half - lead * (a * a - caa), 0.0))
    return Crossing(-a / b, (-half - root) / lead, (-half + root) / lead)
