"""Edges by matched weights: the same model as `weave.edge`, solved for thousands at a time.

Where the edge response F is known and the edge lies within a fraction of a pixel of a place e,
the light around it is linear in four numbers,

    I = B + A f(u - e) + D l(u - e),      f the blurred step, l its slope, D = -A δ (or +A δ),

so B, A and the shifts δ of both edges follow from weighted sums of raw pixels whose weights
depend on nothing but the sub-pixel phase of e. They are tabulated for 32 phases; what a phase
leaves over (0.022 px at most) is part of δ. No pixel is resampled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.model import LevelPrior
from sieve_inspect.edges.response import EdgeResponse

__all__ = ["Edge", "Matched", "Solved", "Weights", "highest", "solve"]

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
Index = NDArray[np.intp]

PHASES = 32
_SPAN = 1.42  # px: a rounded place is off by up to half a diagonal
_NEAR = 0.12  # px; from a shift below it the one step is exact enough
_CORE = 3.0  # blur sigmas of the window around an edge …
_REST = 1.5  # … and px beyond


@dataclass(frozen=True)
class Edge:
    """What a window looks at: opening and wire, px, the response, and the band along the wire."""

    opening: float
    wire: float
    half: float
    response: EdgeResponse

    @property
    def reach(self) -> float:
        """Half the window across, px: on both sides the light has levelled off."""
        return min(_CORE * self.response.sigma + _REST, 0.5 * self.opening, 0.75 * self.wire)


@dataclass(frozen=True, eq=False)
class Weights:
    """Tables of one edge for wires along one direction.

    `offset` (s, 2) are whole pixels around the rounded place as (x, y); by phase (p): `sums`
    (p, s, 3) turn pixels into right sides, `step`, `slope` (p, s) are f and l, `share` (s,)
    the part of a pixel in the band, `normal` (p, 3, 3) the normal matrix of (1, f, l).
    """

    offset: Index
    share: Float32
    step: Float32
    slope: Float32
    sums: Float
    normal: Float
    across: Float

    @classmethod
    def of(cls, edge: Edge, across: Float, rising: bool) -> Weights:
        """Tables for the first edge (`rising`, wire before opening) or the second of openings."""
        along = np.array([-across[1], across[0]])
        size = math.ceil(math.hypot(edge.reach, edge.half)) + 2
        x, y = (i.ravel() for i in np.meshgrid(*[np.arange(-size, size + 1)] * 2))
        offset = np.stack([x, y], axis=1)
        v = np.abs(offset @ along)
        inside = (np.abs(offset @ across) <= edge.reach) & (v < edge.half + 0.5)
        offset, v = offset[inside], v[inside]
        share = np.clip(edge.half + 0.5 - v, 0, 1)
        u = offset @ across + _phase(np.arange(PHASES))[:, None]
        rise, slope = edge.response(u)
        if rising:
            step = rise - edge.response.rise(u - edge.opening)
            step += 1 - edge.response.rise(u + edge.wire)
        else:
            step = edge.response.rise(u + edge.opening) - rise
            step += edge.response.rise(u - edge.wire)
        basis = np.stack([np.ones_like(step), step, slope], axis=2)
        weighted = basis * share[:, None]
        return cls(
            np.asarray(offset, np.intp),
            share.astype(np.float32),
            step.astype(np.float32),
            slope.astype(np.float32),
            weighted,
            np.einsum("psi,psj->pij", weighted, basis),
            across,
        )


def _phase(number: NDArray[np.intp]) -> Float:
    return np.asarray((number + 0.5) * (_SPAN / PHASES) - _SPAN / 2)


@dataclass(frozen=True, eq=False)
class _Seen:
    """Pixels (n, s) around n edges, sorted by phase: `order` (n,) says who is where.

    In the edges' own order: `number` of the phase, `total` (n, 3) what the pixels sum to, `rest`
    the phase less its table's, px.
    """

    order: Index
    number: Index
    pixels: Float32
    total: Float
    rest: Float


def _look(light: Float32, place: Float, weights: Weights) -> _Seen:
    base = np.rint(place).astype(np.intp)
    phase = (base - place) @ weights.across
    number = np.clip(((phase + _SPAN / 2) * (PHASES / _SPAN)).astype(np.intp), 0, PHASES - 1)
    order = np.argsort(number, kind="stable")
    width = light.shape[1]
    index = weights.offset[:, 1] * width + weights.offset[:, 0]
    flat = (base[:, 1] * width + base[:, 0])[order]
    pixels = light.ravel().take(flat[:, None] + index, mode="clip")
    sums = np.empty((len(place), 3))
    ends = np.cumsum(np.bincount(number, minlength=PHASES))
    for first, last, table in zip([0, *ends[:-1]], ends, weights.sums, strict=True):
        if last > first:
            np.matmul(pixels[first:last].astype(float), table, out=sums[first:last])
    total = np.empty((len(place), 3))
    total[order] = sums
    return _Seen(order, number, pixels, total, phase - _phase(number))


@dataclass(frozen=True, eq=False)
class Solved:
    """Openings (n,) solved together: levels, both edges in px across from the centre, quality.

    As in `weave.edge.EdgeFit`: `noise_factor` times the noise of one pixel is the standard
    deviation of the width, `misfit` the noise of one pixel that explains the residuals, `peak`
    the largest residual, both in light; `shift` is how far the last step moved an edge, px.
    """

    floor: Float
    amplitude: Float
    first: Float
    second: Float
    noise_factor: Float
    misfit: Float
    peak: Float
    shift: Float


@dataclass(frozen=True, eq=False)
class Matched:
    """The weights of both edges of openings whose wires run one way."""

    first: Weights
    second: Weights

    @classmethod
    def of(cls, edge: Edge, across: Float) -> Matched:
        """Both tables for wires square to the unit vector `across`."""
        return cls(Weights.of(edge, across, True), Weights.of(edge, across, False))


def solve(
    light: Float32,
    centre: Float,
    first: Float,
    second: Float,
    matched: Matched,
    prior: LevelPrior | None = None,
) -> Solved:
    """Solve the openings at `centre` (n, 2) as (x, y) px, started from their edges (n,) px.

    `prior` tells what is known of their levels. All pixels of a window must lie in `light` (h, w).
    """
    once = _step(light, centre, first, second, matched, prior)
    far = np.flatnonzero(~(once.shift < _NEAR))
    if not len(far):
        return once
    known = prior.take(far) if prior is not None else None
    again = _step(light, centre[far], once.first[far], once.second[far], matched, known)
    for field in fields(Solved):
        getattr(once, field.name)[far] = getattr(again, field.name)
    return once


def _step(
    light: Float32,
    centre: Float,
    first: Float,
    second: Float,
    matched: Matched,
    prior: LevelPrior | None,
) -> Solved:
    pair = (matched.first, matched.second)
    across = pair[0].across
    seen = [
        _look(light, centre + edge[:, None] * across, weights)
        for edge, weights in zip((first, second), pair, strict=True)
    ]
    level, slope, factor = _levels(seen, pair, prior)
    amplitude = np.where(np.abs(level[:, 1]) > 1e-9, level[:, 1], np.nan)
    # The table's place is where its phase says; from there the step is counted.
    turns = ((seen[0], -slope[:, 0]), (seen[1], slope[:, 1]))
    moves = [np.clip(np.nan_to_num(s.rest + m / amplitude), -1.5, 1.5) for s, m in turns]
    parts = [
        _misfit(s, w, level, slope[:, k]) for k, (s, w) in enumerate(zip(seen, pair, strict=True))
    ]
    count = sum(int((w.share > 0).sum()) for w in pair)
    return Solved(
        level[:, 0],
        amplitude,
        first + moves[0],
        second + moves[1],
        factor / np.abs(amplitude),
        np.sqrt((parts[0][0] + parts[1][0]) / (count - 4)),
        np.maximum(parts[0][1], parts[1][1]),
        np.maximum(*(np.abs(m) for m in moves)),
    )


def _levels(
    seen: list[_Seen], weights: tuple[Weights, Weights], prior: LevelPrior | None
) -> tuple[Float, Float, Float]:
    """(B, A) (n, 2), slope terms D (n, 2), and sqrt of the variance of D1 + D2 by pixel noise."""
    matrix, right = np.zeros((len(seen[0].number), 2, 2)), np.zeros((len(seen[0].number), 2))
    gains, kept = [], []
    for s, w in zip(seen, weights, strict=True):
        normal = w.normal
        gain = normal[:, :2, 2] / normal[:, 2:, 2]  # what D takes of (B, A)
        reduced = normal[:, :2, :2] - gain[:, :, None] * normal[:, None, :2, 2]
        matrix += reduced[s.number]
        gains.append(gain[s.number])
        kept.append(normal[s.number, 2, 2])
        right += s.total[:, :2] - gains[-1] * s.total[:, 2:]
    if prior is not None:
        for k, expected in enumerate((prior.floor, prior.amplitude)):
            matrix[:, k, k] += prior.strength[k]
            right[:, k] += prior.strength[k] * expected
    a, b, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 1]
    det = a * d - b * b
    level = np.stack([d * right[:, 0] - b * right[:, 1], a * right[:, 1] - b * right[:, 0]], axis=1)
    level /= det[:, None]
    parts = zip(seen, gains, kept, strict=True)
    slope = np.stack([s.total[:, 2] / k - (g * level).sum(axis=1) for s, g, k in parts], axis=1)
    g = gains[0] + gains[1]
    common = (d * g[:, 0] ** 2 - 2 * b * g[:, 0] * g[:, 1] + a * g[:, 1] ** 2) / det
    return level, slope, np.sqrt(1 / kept[0] + 1 / kept[1] + common)


def _misfit(seen: _Seen, weights: Weights, level: Float, slope: Float) -> tuple[Float, Float]:
    """Weighted sum of squared residuals and the largest residual, (n,) each."""
    number = seen.number[seen.order]
    floor, amplitude, steep = (i[seen.order].astype(np.float32)[:, None] for i in (*level.T, slope))
    left = seen.pixels - floor
    left -= amplitude * weights.step[number]
    left -= steep * weights.slope[number]
    left *= left
    left *= weights.share
    square, peak = np.empty(len(level)), np.empty(len(level))
    square[seen.order] = left.sum(axis=1, dtype=float)
    peak[seen.order] = np.sqrt(highest(left))
    return square, peak


def highest(rows: Float32) -> Float32:
    """The largest of every row (n, m), folded so that threads do not wait for each other."""
    while rows.shape[1] > 8:
        half = rows.shape[1] // 2
        rows = np.maximum(rows[:, : rows.shape[1] - half], rows[:, half:])
    return np.asarray(rows.max(axis=1))
