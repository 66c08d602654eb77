"""A fitted map from picture to micrometres: its terms, and the fit with its uncertainty.

Terms are Chebyshev products, and radial lens terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Index
from sieve_inspect.scale.least_squares import Solution
from sieve_inspect.scale.marks import Observations
from sieve_inspect.scale.pixel_map import Pairs, chebyshev


@dataclass(frozen=True, eq=False)
class Basis:
    """Terms of the map as sums of Chebyshev products.

    `powers` are k pairs; column c of `x` and of `y`, both (k, K), is the contribution of
    coefficient c to F_X and to F_Y. `centre` and `half` (px) bring the marks into −1..1.
    """

    powers: tuple[tuple[int, int], ...]
    x: Float
    y: Float
    centre: tuple[float, float]
    half: tuple[float, float]

    def values(self, points: Float) -> tuple[Float, Float]:
        """Contribution of each coefficient to F_X and F_Y at points (n, 2): two (n, K)."""
        table = chebyshev(points, self.centre, self.half, self.powers)
        return table @ self.x, table @ self.y


def straight_part(basis: Basis, coefficient: Float) -> Float:
    """The linear part (2, 2) of the map's own polynomial, um per px."""
    rows = [basis.powers.index((1, 0)), basis.powers.index((0, 1))]
    lens = np.array([basis.x[rows] @ coefficient, basis.y[rows] @ coefficient])
    return np.asarray(lens / np.asarray(basis.half))


def lens_terms(
    powers: Sequence[tuple[int, int]],
    centre: Float,
    half: Float,
    middle: tuple[float, float],
    orders: Sequence[int],
) -> Float:
    """Chebyshev coefficients (2, k, orders) of q_x |q|²ⁿ and q_y |q|²ⁿ, q in px, |q| in halves.

    Fitted on more points than there are coefficients, hence exact; without the constant, which
    belongs to the place of the artefact.
    """
    out = np.zeros((2, len(powers), len(orders)))
    if not orders:
        return out
    steps = np.cos(np.pi * (np.arange(12) + 0.5) / 12)
    x, y = (grid.ravel() for grid in np.meshgrid(steps, steps))
    points = centre + half * np.stack([x, y], axis=1)
    every = [(0, 0), *powers]
    table = chebyshev(points, (centre[0], centre[1]), (half[0], half[1]), every)
    q = points - middle
    size = (q * q).sum(axis=1) / half.max() ** 2
    wanted = np.stack([q[:, axis] * size**n for axis in (0, 1) for n in orders], axis=1)
    terms, *_ = np.linalg.lstsq(table, wanted, rcond=None)
    return np.asarray(terms[1:].reshape(len(powers), 2, len(orders)).transpose(1, 0, 2))


@dataclass(frozen=True, eq=False)
class MapFit:
    """The fitted map with residuals, weights and covariances; lengths in um.

    `residual` and `weight` (n,) follow the observations of all pictures in order, `picture` (n,)
    is the number of the picture.
    """

    basis: Basis
    coefficient: Float
    solution: Solution
    clustered: tuple[Float, ...]  # covariances for errors correlated in blocks, and in lines
    sides: Float  # (k,) parameters of the second edges' map less those of the mean
    theta: Float
    residual: Float
    weight: Float
    picture: Index
    observations: Observations
    hull: Pairs
    pitch_px: float  # from mark to mark, on average
    middle: tuple[float, float]  # of the picture, px
    degree: int
    lens: int  # how many terms q |q|², q |q|⁴ …
    shear_measured: bool  # whether the marks determine it
    target_stretch: float  # 2ρ: the artefact's first pitch over its second, less 1
    target_lean_deg: float

    @property
    def straight(self) -> bool:
        """Whether nothing bends."""
        return self.degree == 1 and self.lens == 0

    def variance(self, gradient: Float) -> Float:
        """Variances (m,) of linear functions (m, k) of all parameters: the largest estimate."""
        every = (self.solution.covariance, *self.clustered)
        values = [np.einsum("mk,kl,ml->m", gradient, c, gradient) for c in every]
        return np.asarray(np.max(values, axis=0))

    def variance_of_sides(self, gradient: Float) -> Float:
        """Variances (m,) from the disagreement of both edges, beyond twice what noise explains."""
        return np.maximum((gradient @ self.sides) ** 2 - 4 * self.variance(gradient), 0.0)
