"""A fitted map from picture to micrometres, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Index
from sieve_inspect.scale.basis import Basis
from sieve_inspect.scale.least_squares import Solution
from sieve_inspect.scale.marks import Observations
from sieve_inspect.scale.pixel_map import Pairs


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
