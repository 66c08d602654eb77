"""The straight map tangent to the fitted map in the picture's middle, and the rest map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.scale.fitted_map import MapFit
from sieve_inspect.scale.pixel_map import PixelMap, chebyshev, nearest_covered

_GRID = 41  # points along each side of the covered area


@dataclass(frozen=True, eq=False)
class Straight:
    """The straight map tangent to F in the picture's middle, as functions of the parameters."""

    area: Float  # (m, 2) px, points spread over the covered area
    middle: Float  # (2,) px
    matrix: Float  # (2, 2) um per px, in the artefact's turn
    slopes: tuple[Float, Float]  # (2, K) operators from coefficients to the slopes of F_X, F_Y
    width: int  # number of all parameters

    @classmethod
    def of(cls, fit: MapFit) -> Straight:
        """The straight map of a fitted map."""
        middle = np.array([fit.middle], dtype=float)
        if fit.hull:
            middle = nearest_covered(middle, fit.hull)[0]
        step = 0.01  # px: a polynomial's slope to ten digits
        cross = middle + step * np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]])
        slopes = []
        for terms in fit.basis.values(cross):
            slopes.append(np.stack([terms[0] - terms[1], terms[2] - terms[3]]) / (2 * step))
        matrix = np.stack([operator @ fit.coefficient for operator in slopes])
        area = covered_points(fit)
        return cls(area, middle[0], matrix, (slopes[0], slopes[1]), len(fit.solution.value))

    def mean(self, fit: MapFit) -> tuple[float, float]:
        """x and y scale (um/px) of the straight map that fits best over the covered area."""
        back = np.linalg.pinv(plane_terms(self.area))[1:]
        values = [terms @ fit.coefficient for terms in fit.basis.values(self.area)]
        x, y, _ = figures_of(np.stack([back @ value for value in values]))
        return x, y

    @property
    def figures(self) -> tuple[float, float, float]:
        """sx, sy in um/px and the shear in radians."""
        return figures_of(self.matrix)

    @property
    def turn(self) -> float:
        """φ, radians."""
        return float(np.arctan2(self.matrix[1, 0], self.matrix[0, 0]))

    @property
    def gradients(self) -> Float:
        """Derivatives (3, parameters) of ln sx, ln sy and the shear."""
        base = np.array(self.figures)
        out = np.zeros((3, self.width))
        step = 1e-6 * base[0]
        for row, column in ((0, 0), (0, 1), (1, 0), (1, 1)):
            moved = self.matrix.copy()
            moved[row, column] += step
            rate = (np.array(figures_of(moved)) - base) / step
            operator = self.slopes[row][column]
            out[:, : len(operator)] += rate[:, None] * operator
        out[:2] /= base[:2, None]
        return out

    def rest(self, fit: MapFit) -> PixelMap:
        """The rest map with its largest standard uncertainty."""
        phi = self.turn
        back = np.array([[np.cos(phi), np.sin(phi)], [-np.sin(phi), np.cos(phi)]])
        powers = ((0, 0), *fit.basis.powers)
        raw = np.zeros((2, len(powers)))
        raw[0, 1:] = fit.basis.x @ fit.coefficient
        raw[1, 1:] = fit.basis.y @ fit.coefficient
        raw[:, powers.index((1, 0))] -= self.matrix[:, 0] * fit.basis.half[0]
        raw[:, powers.index((0, 1))] -= self.matrix[:, 1] * fit.basis.half[1]
        turned = back @ raw
        basis = chebyshev(self.middle[None], fit.basis.centre, fit.basis.half, powers)
        turned[:, 0] -= (basis @ turned.T)[0]
        if fit.straight:
            powers, turned = (), np.zeros((2, 0))
        return PixelMap(
            fit.basis.centre, fit.basis.half, powers, tuple(turned[0].tolist()),
            tuple(turned[1].tolist()), fit.hull, self._u_rest(fit),
            margin_px=np.sqrt(2) * fit.pitch_px,
        )  # fmt: skip

    def _u_rest(self, fit: MapFit) -> float:
        """Largest standard uncertainty (px) of a coordinate of the rest map over the area."""
        if fit.straight:
            return 0.0
        plane = plane_terms(self.area)
        keep = np.eye(len(self.area)) - plane @ np.linalg.pinv(plane)
        worst = 0.0
        for terms in fit.basis.values(self.area):
            gradient = np.zeros((len(self.area), self.width))
            gradient[:, : terms.shape[1]] = keep @ terms
            variance = fit.variance(gradient) + fit.variance_of_sides(gradient)
            worst = max(worst, float(variance.max()))
        sx, sy, _ = self.figures
        return float(np.sqrt(worst)) * 2 / (sx + sy)


def plane_terms(points: Float) -> Float:
    """Terms (n, 3) of a plane over points (n, 2): a constant, and x and y from their mean."""
    return np.column_stack([np.ones(len(points)), points - points.mean(axis=0)])


def covered_points(fit: MapFit) -> Float:
    """Points (m, 2) in px on a regular grid over the covered area."""
    (cx, cy), (hx, hy) = fit.basis.centre, fit.basis.half
    steps = np.linspace(-1, 1, _GRID)
    x, y = np.meshgrid(cx + hx * steps, cy + hy * steps)
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    if not fit.hull:
        return points
    return np.asarray(points[nearest_covered(points, fit.hull)[1]])


def figures_of(matrix: Float) -> tuple[float, float, float]:
    """x scale, y scale and shear (radians) of a linear map (2, 2)."""
    sx, sy = np.hypot(*matrix[:, 0]), np.hypot(*matrix[:, 1])
    return float(sx), float(sy), float(np.arcsin(matrix[:, 0] @ matrix[:, 1] / (sx * sy)))
