"""A slanting view, read from the wires across a large scan.

Seen under the angle v a round wire looks d / cos v wide. With the lens a distance D above x0,
tan v = (x − x0) / D along the line of the camera, so for small angles the apparent wire is a
parabola in x whose vertex is the wire as it is:

    apparent = d (1 + (x − x0)² / (2 D²)),      1 / cos v = apparent / d

Only wires that cross the line look wider towards its ends; along the other way of the scan the
same wires do not. Contact sensors and telecentric lenses show no parabola.
"""

from __future__ import annotations

import numpy as np

from sieve_inspect.arrays import Float

_LEAST = 400  # wires from which a parabola is fitted
_BINS = 24
_EFFECT = 0.004  # share of a wire from middle to border from which it counts; own figure
_CLEAR = 5.0  # standard uncertainties of the curvature
_WITHIN = 0.9  # of half the scan: where the vertex has to lie, else the wire itself is not seen
_OTHER_WAY = 0.4  # of the curvature, what the same wires may show along the other way


def view_factors(centre_um: Float, wires_um: Float, axis: int) -> Float | None:
    """cos v (n,) of direction x (`axis` 0) or y (1), or None where no slanting view shows.

    `centre_um` (n, 2) are the middles of the sound apertures, `wires_um` (n,) the mean of the two
    apparent wires beside each, NaN where not measured.
    """
    known = np.isfinite(wires_um)
    if known.sum() < _LEAST:
        return None
    own = _Parabola.through(centre_um[known, axis], wires_um[known])
    other = _Parabola.through(centre_um[known, 1 - axis], wires_um[known])
    if own is None or not own.is_clear:
        return None
    if other is not None and abs(other.curvature) > _OTHER_WAY * own.curvature:
        return None
    return own.true_share(centre_um[:, axis])


class _Parabola:
    """Apparent wires over a position scaled to −1 … 1, through the medians of equal parts."""

    def __init__(self, middle: float, half: float, terms: Float, u_curvature: float) -> None:
        self.middle, self.half = middle, half
        self.level, self.slope, self.curvature = (float(term) for term in terms)
        self.u_curvature = u_curvature

    @classmethod
    def through(cls, position: Float, wire: Float) -> _Parabola | None:
        half = float(np.ptp(position)) / 2
        if half <= 0:
            return None
        middle = float(position.min()) + half
        at = (position - middle) / half
        part = np.clip(((at + 1) / 2 * _BINS).astype(np.intp), 0, _BINS - 1)
        filled = [number for number in range(_BINS) if (part == number).sum() >= 8]
        if len(filled) < _BINS // 2:
            return None
        x = np.array([at[part == number].mean() for number in filled])
        y = np.array([np.median(wire[part == number]) for number in filled])
        design = np.stack([np.ones_like(x), x, x**2], axis=1)
        terms, *_ = np.linalg.lstsq(design, y, rcond=None)
        rest = y - design @ terms
        covariance = np.linalg.inv(design.T @ design) * float(rest @ rest) / (len(x) - 3)
        return cls(middle, half, terms, float(np.sqrt(covariance[2, 2])))

    @property
    def vertex(self) -> float:
        return -self.slope / (2 * self.curvature) if self.curvature else np.inf

    @property
    def at_vertex(self) -> float:
        return self.level - self.slope**2 / (4 * self.curvature)

    @property
    def is_clear(self) -> bool:
        return (
            self.curvature > _CLEAR * self.u_curvature
            and abs(self.vertex) < _WITHIN
            and self.curvature > _EFFECT * self.at_vertex
        )

    def true_share(self, position: Float) -> Float:
        """The wire at the vertex over the apparent wire, at positions (n,)."""
        along = (position - self.middle) / self.half - self.vertex
        share: Float = self.at_vertex / (self.at_vertex + self.curvature * along**2)
        return share
