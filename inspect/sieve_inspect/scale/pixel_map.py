"""The rest map: the smooth part of the map beyond the straight scale, and the area it covers.

    rest(x, y) = Σ c_ab T_a((x − cx)/hx) T_b((y − cy)/hy)        um, for each of X and Y

with Chebyshev polynomials T. Outside the covered area there are no marks: within the margin the
map continues from the nearest covered point by its slope and curvature there, so that widths keep
the scale of the rim; beyond the margin it stays constant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Float

Pairs = tuple[tuple[float, float], ...]


def chebyshev(
    points: Float,
    centre: Sequence[float],
    half: Sequence[float],
    powers: Sequence[tuple[int, int]],
) -> Float:
    """Values (n, k) of T_a T_b at points (n, 2) in px for the k pairs (a, b) of `powers`."""
    top = max((max(pair) for pair in powers), default=0)
    # The recurrence holds outside -1..1 too.
    x, y = ((points[:, axis] - centre[axis]) / half[axis] for axis in (0, 1))
    table = np.polynomial.chebyshev.chebvander(np.stack([x, y]), top)
    return np.stack([table[0, :, a] * table[1, :, b] for a, b in powers], axis=1)


def convex_hull(points: Float) -> Pairs:
    """Corners of the convex hull of points (n, 2), in order; empty if they lie on a line."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        corners = points[ConvexHull(points).vertices]
    except (QhullError, ValueError):
        return ()
    return tuple((float(x), float(y)) for x, y in corners)


def nearest_covered(points: Float, hull: Pairs) -> tuple[Float, Bool]:
    """The nearest points (n, 2) within the convex polygon `hull`, and which were inside (n,)."""
    corners = np.asarray(hull, dtype=float)
    step = np.roll(corners, -1, axis=0) - corners
    turn = float(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1))) - float(
        np.sum(corners[:, 1] * np.roll(corners[:, 0], -1))
    )
    inside = np.ones(len(points), np.bool_)
    for corner, along in zip(corners, step, strict=True):
        away = points - corner
        inside &= np.sign(turn) * (along[0] * away[:, 1] - along[1] * away[:, 0]) >= -1e-9
    moved = points.copy()
    outside = np.flatnonzero(~inside)
    best = np.full(len(outside), np.inf)
    for corner, along in zip(corners, step, strict=True):
        away = points[outside] - corner
        share = np.clip(away @ along / (along @ along), 0, 1)
        place = corner + share[:, None] * along
        distance = np.hypot(*(points[outside] - place).T)
        closer = distance < best
        best[closer] = distance[closer]
        moved[outside[closer]] = place[closer]
    return moved, inside


@dataclass(frozen=True)
class PixelMap:
    """Coefficients (um) of the rest map, and the convex area (px) that the marks cover."""

    centre_px: tuple[float, float]
    half_px: tuple[float, float]
    powers: tuple[tuple[int, int], ...]
    x_um: tuple[float, ...]
    y_um: tuple[float, ...]
    covered_px: Pairs
    u_px: float = 0.0  # largest standard uncertainty of the map
    margin_px: float = 0.0  # how far beyond the outermost marks the map is valid

    def __call__(self, points: Float) -> Float:
        """The correction (n, 2) in um of points (n, 2) in px, added to the straight scale."""
        if not self.powers:
            return np.zeros_like(points)
        if not self.covered_px:
            return self._polynomial(points)
        nearest, inside = nearest_covered(points, self.covered_px)
        moved = self._polynomial(nearest)
        outside = ~inside
        if self.margin_px and outside.any():
            base, out = nearest[outside], points[outside] - nearest[outside]
            far = np.hypot(*out.T)[:, None]
            ahead = out / np.maximum(far, 1e-12)  # a step of 1 px
            before, after = self._polynomial(base - ahead), self._polynomial(base + ahead)
            far = np.minimum(far, self.margin_px)
            bend = after - 2 * moved[outside] + before
            moved[outside] += far * (after - before) / 2 + far**2 * bend / 2
        return moved

    def _polynomial(self, points: Float) -> Float:
        basis = chebyshev(points, self.centre_px, self.half_px, self.powers)
        return np.stack([basis @ np.asarray(self.x_um), basis @ np.asarray(self.y_um)], axis=1)

    def covers(self, points: Float) -> Bool:
        """Which points (n, 2) in px lie in the covered area or within the margin around it."""
        if not self.covered_px:
            return np.zeros(len(points), np.bool_)
        nearest, inside = nearest_covered(points, self.covered_px)
        return np.asarray(inside | (np.hypot(*(points - nearest).T) <= self.margin_px))

    def stretched(self, along: float, down: float) -> PixelMap:
        """The map with its um along x and along y multiplied."""
        x_um = tuple(along * c for c in self.x_um)
        return replace(self, x_um=x_um, y_um=tuple(down * c for c in self.y_um))

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "centre_px": list(self.centre_px),
            "half_px": list(self.half_px),
            "powers": [list(pair) for pair in self.powers],
            "x_um": list(self.x_um),
            "y_um": list(self.y_um),
            "covered_px": [list(pair) for pair in self.covered_px],
            "u_px": self.u_px,
            "margin_px": self.margin_px,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> PixelMap:
        """Read what `to_dict` wrote. Raises `KeyError`, `TypeError`, `ValueError`."""
        powers = tuple((int(a), int(b)) for a, b in data["powers"])
        x_um, y_um = (tuple(float(c) for c in data[key]) for key in ("x_um", "y_um"))
        if not len(powers) == len(x_um) == len(y_um):
            raise ValueError("its map has coefficients missing")
        if any(not 0 <= p <= 15 for pair in powers for p in pair):
            raise ValueError("its map has powers outside 0 to 15")
        centre, half = (_pair(data[key]) for key in ("centre_px", "half_px"))
        covered = tuple(_pair(corner) for corner in data["covered_px"])
        numbers = np.array([*x_um, *y_um, *centre, *half, *(c for p in covered for c in p)])
        if not np.isfinite(numbers).all() or min(half) <= 0:
            raise ValueError("its map holds values that are not finite numbers")
        margins = (float(data.get(key, 0.0)) for key in ("u_px", "margin_px"))
        return cls(centre, half, powers, x_um, y_um, covered, *margins)


def _pair(value: Sequence[Any]) -> tuple[float, float]:
    x, y = value
    return float(x), float(y)
