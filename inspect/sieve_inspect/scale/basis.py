"""Terms of a map from picture to micrometres: Chebyshev products, and radial lens terms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.scale.pixel_map import chebyshev


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
