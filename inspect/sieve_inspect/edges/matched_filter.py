"""Edges by a matched filter: the model of `model`, solved for thousands of openings at a time.

Where the edge response F is known and the edge lies within a fraction of a pixel of a place e,
the light around it is linear in four numbers,

    I = B + A f(u - e) + D l(u - e),      f the blurred step, l its slope, D = -A δ (or +A δ),

so B, A and the shifts δ of both edges follow from weighted sums of raw pixels whose weights
depend only on the sub-pixel phase of e. They are tabulated for 32 phases; the remainder of a phase
(0.022 px at most) is part of δ. No pixel is resampled. The slope l is the line spread function.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from sieve_inspect.arrays import Float, Float32, Index
from sieve_inspect.edges.model import OPENING_ZONE, WIRE_ZONE, WIRE_ZONE_PX, LevelPrior
from sieve_inspect.edges.response import EdgeResponse

# A width beyond these shares of the usual width is not that of an opening between two wires: less
# than half of it is left, or the wire to the next opening is missing. No state changes with the
# lower limit from 0.2 to 0.56 and the upper from 1.53 on; see `apertures.states`.
WIDTH_RANGE = (0.4, 1.8)

_REACH = 0.62  # of the pitch to both sides: over the wire, into the next opening


def coarse_edges(
    light: Float32, centre: Float, across: Float, spacing: float, apart: float
) -> tuple[Float, Float]:
    """Coarse edges (n,) px of the openings at `centre` (n, 2) px, from three lines across them.

    They are counted across from the centre, NaN where there is none. `across` (2,) is the unit
    vector across the wires, which are `spacing` px apart; `apart` px is the distance of the lines
    of nearest pixels, which must all lie in `light` (h, w).
    """
    along, reach = np.array([-across[1], across[0]]), np.ceil(_REACH * spacing)
    u = np.arange(-reach, reach + 1)
    points = u[None, :, None] * across + np.array([-apart, 0, apart])[:, None, None] * along
    offset = np.rint(points).astype(np.intp)
    u = (offset @ across).mean(axis=0)
    base = np.rint(centre).astype(np.intp)
    width = light.shape[1]
    flat = (base[:, 1] * width + base[:, 0])[:, None]
    pixels = light.ravel()
    profile = sum(
        pixels.take(flat + line[:, 1] * width + line[:, 0], mode="clip") for line in offset
    )
    profile = np.asarray(profile, np.float32) / np.float32(3)
    rest = (base - centre) @ across
    middle = len(u) // 2
    near = np.abs(u) < OPENING_ZONE * spacing
    zone = np.abs(np.abs(u) - 0.5 * spacing) < WIRE_ZONE * spacing + WIRE_ZONE_PX
    top, floor = profile[:, near].mean(axis=1), profile[:, zone].min(axis=1)
    half = 0.5 * (top + floor)
    second = _fall(profile[:, middle:], u[middle:], half) + rest
    first = rest - _fall(profile[:, middle::-1], -u[middle::-1], half)
    return first, second


def _fall(profile: Float32, u: Float, half: Float32) -> Float:
    """Where the profile (n, m), read outward over `u` (m,), first falls through `half` (n,)."""
    below = profile < half[:, None]
    at = below.argmax(axis=1)
    falls = below[np.arange(len(at)), at] & (at > 0)
    before = np.maximum(at - 1, 0)
    rows = np.arange(len(at))
    y0, y1 = profile[rows, before].astype(float), profile[rows, at].astype(float)
    part = (y0 - half) / np.where(y0 != y1, y0 - y1, 1)
    return np.where(falls, u[before] + (u[at] - u[before]) * np.clip(part, 0, 1), np.nan)


PHASES = 32
_SPAN = 1.42  # px: a rounded place is off by up to half a pixel's diagonal
_NEAR = 0.12  # px; a first step shorter than this is exact enough
_CORE = 3.0  # blur sigmas of the window to each side of an edge …
_REST = 1.5  # … and px beyond
_FURTHEST = 1.5  # px of the longest step


@dataclass(frozen=True)
class EdgeGeometry:
    """What a filter is made for: opening, wire and half the band along the wire, px; response."""

    opening: float
    wire: float
    half: float
    response: EdgeResponse

    @property
    def reach(self) -> float:
        """Half the window across, px: at its ends the light has levelled off."""
        return min(_CORE * self.response.sigma + _REST, 0.5 * self.opening, 0.75 * self.wire)


@dataclass(frozen=True, eq=False)
class FilterTables:
    """Tables of one edge of openings whose wires run in one direction.

    `offset` (s, 2) are whole pixels around the rounded place as (x, y), `share` (s,) the part of
    each in the band. By phase (p): `sums` (p, s, 3) turn pixels into right sides, `step`, `slope`
    (p, s) are f and l, `normal` (p, 3, 3) is the normal matrix of (1, f, l). `across` (2,) is the
    unit vector across the wires.
    """

    offset: Index
    share: Float32
    step: Float32
    slope: Float32
    sums: Float
    normal: Float
    across: Float

    @classmethod
    def of(cls, edge: EdgeGeometry, across: Float, rising: bool) -> FilterTables:
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


def _phase(number: Index) -> Float:
    return np.asarray((number + 0.5) * (_SPAN / PHASES) - _SPAN / 2)


@dataclass(frozen=True, eq=False)
class _Pixels:
    """Pixels (n, s) around n edges, sorted by phase: row i is edge `order[i]`.

    In the edges' own order: `number` (n,) of the phase, `total` (n, 3) the weighted sums of the
    pixels, `rest` (n,) the phase less its table's, px.
    """

    order: Index
    number: Index
    pixels: Float32
    total: Float
    rest: Float


def _gathered(light: Float32, place: Float, weights: FilterTables) -> _Pixels:
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
    return _Pixels(order, number, pixels, total, phase - _phase(number))


@dataclass(frozen=True, eq=False)
class MatchedEdges:
    """Openings (n,) solved together: levels, both edges in px across from the centre, quality.

    As in `fit.EdgeFit`: `noise_factor` times the noise of one pixel is the standard deviation of
    the width, `misfit` the noise of one pixel that explains the residuals, `peak` the largest
    residual, both in light; `shift` is how far the last step moved an edge, px.
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
class MatchedFilter:
    """The tables of both edges of openings whose wires run in one direction."""

    first: FilterTables
    second: FilterTables

    @classmethod
    def of(cls, edge: EdgeGeometry, across: Float) -> MatchedFilter:
        """Both tables for wires at right angles to the unit vector `across` (2,)."""
        return cls(FilterTables.of(edge, across, True), FilterTables.of(edge, across, False))


def solve(
    light: Float32,
    centre: Float,
    first: Float,
    second: Float,
    matched: MatchedFilter,
    prior: LevelPrior | None = None,
) -> MatchedEdges:
    """Solve the openings at `centre` (n, 2) as (x, y) px, started from their edges (n,) px.

    `prior` are the levels expected of them. All pixels of a window must lie in `light` (h, w).
    """
    edges = _step(light, centre, first, second, matched, prior)
    far = np.flatnonzero(~(edges.shift < _NEAR))
    if not len(far):
        return edges
    known = prior.take(far) if prior is not None else None
    again = _step(light, centre[far], edges.first[far], edges.second[far], matched, known)
    for field in fields(MatchedEdges):
        getattr(edges, field.name)[far] = getattr(again, field.name)
    return edges


def _step(
    light: Float32,
    centre: Float,
    first: Float,
    second: Float,
    matched: MatchedFilter,
    prior: LevelPrior | None,
) -> MatchedEdges:
    pair = (matched.first, matched.second)
    across = pair[0].across
    both = [
        _gathered(light, centre + edge[:, None] * across, weights)
        for edge, weights in zip((first, second), pair, strict=True)
    ]
    level, slope, factor = _levels(both, pair, prior)
    amplitude = np.where(np.abs(level[:, 1]) > 1e-9, level[:, 1], np.nan)
    # A step is counted from the place for which the table was made.
    turns = ((both[0], -slope[:, 0]), (both[1], slope[:, 1]))
    moves = [
        np.clip(np.nan_to_num(s.rest + m / amplitude), -_FURTHEST, _FURTHEST) for s, m in turns
    ]
    parts = [
        _misfit(s, w, level, slope[:, k]) for k, (s, w) in enumerate(zip(both, pair, strict=True))
    ]
    count = sum(int((w.share > 0).sum()) for w in pair)
    return MatchedEdges(
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
    both: list[_Pixels], weights: tuple[FilterTables, FilterTables], prior: LevelPrior | None
) -> tuple[Float, Float, Float]:
    """(B, A) (n, 2), slope terms D (n, 2), and sqrt of the variance of D1 + D2 by pixel noise."""
    count = len(both[0].number)
    matrix, right = np.zeros((count, 2, 2)), np.zeros((count, 2))
    gains, kept = [], []
    for s, w in zip(both, weights, strict=True):
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
    parts = zip(both, gains, kept, strict=True)
    slope = np.stack([s.total[:, 2] / k - (g * level).sum(axis=1) for s, g, k in parts], axis=1)
    g = gains[0] + gains[1]
    common = (d * g[:, 0] ** 2 - 2 * b * g[:, 0] * g[:, 1] + a * g[:, 1] ** 2) / det
    return level, slope, np.sqrt(1 / kept[0] + 1 / kept[1] + common)


def _misfit(
    gathered: _Pixels, weights: FilterTables, level: Float, slope: Float
) -> tuple[Float, Float]:
    """Weighted sum of squared residuals and the largest residual, (n,) each."""
    number = gathered.number[gathered.order]
    floor, amplitude, steep = (
        i[gathered.order].astype(np.float32)[:, None] for i in (*level.T, slope)
    )
    left = gathered.pixels - floor
    left -= amplitude * weights.step[number]
    left -= steep * weights.slope[number]
    left *= left
    left *= weights.share
    square, peak = np.empty(len(level)), np.empty(len(level))
    square[gathered.order] = left.sum(axis=1, dtype=float)
    peak[gathered.order] = np.sqrt(row_maximum(left))
    return square, peak


def row_maximum(rows: Float32) -> Float32:
    """The largest value (n,) of every row (n, m), by folding, which lets other threads run."""
    while rows.shape[1] > 8:
        half = rows.shape[1] // 2
        rows = np.maximum(rows[:, : rows.shape[1] - half], rows[:, half:])
    return np.asarray(rows.max(axis=1))
