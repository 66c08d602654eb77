"""Every opening of a large cloth by the matched filter, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.opening_set import SIDE_MARGIN_BLUR, SIDE_MARGIN_PX, SMALLEST_INNER
from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.edges.direction import Axis
from sieve_inspect.edges.field_maps import BlurMap, response_of
from sieve_inspect.edges.matched_filter import (
    WIDTH_RANGE,
    EdgeGeometry,
    MatchedEdges,
    MatchedFilter,
    coarse_edges,
    row_maximum,
    solve,
)
from sieve_inspect.edges.model import LevelPrior
from sieve_inspect.edges.profiles import across_of
from sieve_inspect.image import ScanSource
from sieve_inspect.image.light import ScanLight
from sieve_inspect.workers.shared_work import Progress, SharedWork

Priors = tuple[LevelPrior | None, ...]  # by direction

CORE = 512  # rows of a band without its margin, at most …
_BAND = 4_000_000  # … and pixels
_AT_ONCE = 200_000  # pixels of edges solved together: they stay in the cache
_TURN = np.deg2rad(0.25)  # wires whose directions agree to this share a filter
_MANY = 4096  # more than there are directions or classes of blur
_DARK = 0.6  # of an opening's light; below it a pixel counts as covered
_HALF_LIGHT = 0.5  # of an opening's light; above it a wire's middle is lit
_STATIONS = np.linspace(-0.35, 0.35, 7)  # along a wire, shares of an opening
_STILL = 0.15  # px a solved edge may have moved in the last step
_BAND_ALONG = 0.25  # of the other opening: half the band of pixels along the wire
_LINES_APART = 0.15  # of the other opening: distance of the three lines of the coarse edges
_OFF_CENTRE = 0.3  # of the pitch that an opening's middle may be off its nominal centre


@dataclass(frozen=True, eq=False)
class BulkValues:
    """Edges, levels and quality of n openings in both directions, arrays (2, n).

    `first`, `second` are the edges in px across from the centre, the rest as in `EdgeFit`.
    """

    first: NDArray[np.floating]
    second: NDArray[np.floating]
    floor: NDArray[np.floating]
    amplitude: NDArray[np.floating]
    noise_factor: NDArray[np.floating]
    misfit: NDArray[np.floating]
    peak: NDArray[np.floating]

    @classmethod
    def unknown(cls, count: int) -> BulkValues:
        """NaN for `count` openings."""
        return cls(*(np.full((2, count), np.nan, np.float32) for _ in fields(cls)))

    @classmethod
    def of(cls, solved: Sequence[MatchedEdges]) -> BulkValues:
        """The values of both directions together."""
        return cls(*(np.stack([getattr(s, f.name) for s in solved]) for f in fields(cls)))

    def put(self, which: Index, values: BulkValues) -> None:
        """Take over the values of the openings `which`."""
        for field in fields(self):
            getattr(self, field.name)[:, which] = getattr(values, field.name)


@dataclass(frozen=True, eq=False)
class BulkEdges:
    """The matched filter's result for n openings; NaN where nothing was solved.

    `centre` (n, 2) px is where the edges of `values` are counted from; `doubt` (n,) marks
    openings that a full fit has to settle.
    """

    centre: Float
    values: BulkValues
    doubt: Bool


@dataclass(frozen=True, eq=False)
class _Plan:
    """Sizes that hold for the whole cloth, px; by direction."""

    edges: tuple[EdgeGeometry, EdgeGeometry]
    focus: tuple[BlurMap | None, BlurMap | None]
    spacing: tuple[float, float]
    sigma: float
    margin: int

    @classmethod
    def of(cls, axes: tuple[Axis, Axis]) -> _Plan:
        opening = [float(np.nanmedian(a.fit.width)) for a in axes]
        wire = [float(np.nanmedian(a.fit.wires)) for a in axes]
        edges = tuple(
            EdgeGeometry(opening[k], wire[k], _BAND_ALONG * opening[1 - k], axes[k].response)
            for k in (0, 1)
        )
        spacing = (opening[0] + wire[0], opening[1] + wire[1])
        sigma = max(a.response.sigma for a in axes)
        margin = int(1.5 * max(spacing)) + 4
        focus = (axes[0].blur_map, axes[1].blur_map)
        return cls((edges[0], edges[1]), focus, spacing, sigma, margin)


def measure_bulk(
    light: ScanLight,
    centre: Float,
    vectors: Float,
    axes: tuple[Axis, Axis],
    priors: Priors,
    work: SharedWork,
    progress: Progress,
) -> BulkEdges:
    """Measure the openings near `centre` (n, 2) px with lattice `vectors` (n, 2, 2) px.

    `axes` are the two directions of a sample of them, measured in full; `priors` are the levels
    that the sample predicts in each, where single openings do not show theirs.
    """
    plan = _Plan.of(axes)
    count = len(centre)
    values, placed, doubt = BulkValues.unknown(count), centre.copy(), np.ones(count, np.bool_)
    height, width = light.shape
    x, y = centre.T
    m = plan.margin
    inner = (x >= m) & (x < width - 1 - m) & (y >= m) & (y < height - 1 - m)
    key, filters = _filters(centre, vectors, plan)
    order = np.argsort(y, kind="stable")
    order = order[inner[order]]
    core = max(64, min(CORE, _BAND // width))
    ends = np.searchsorted(y[order], np.arange(0, height + core, core))
    bands = [(n, order[a:b]) for n, (a, b) in enumerate(pairwise(ends)) if b > a]
    tasks = []
    for number, which in bands:
        needed = {int(k): filters[int(k)] for k in np.unique(key[which])}
        rows = (number * core, (number + 1) * core)
        known = tuple(p and p.take(which) for p in priors)
        common = (light.encoding, light.bright, plan, needed)
        tasks.append((*common, rows, centre[which], key[which], known))
    results = work.map(_band, tasks, progress)
    for (_, which), band in zip(bands, results, strict=True):
        placed[which], doubt[which] = band.centre, band.doubt
        values.put(which, band.values)
    return BulkEdges(placed, values, doubt)


_Filters = tuple[list[MatchedFilter], Float]  # by direction, and the unit vectors across (2, 2)


def _filters(centre: Float, vectors: Float, plan: _Plan) -> tuple[Index, dict[int, _Filters]]:
    """A key (n,) for the direction of an opening's wires and its blur, and each key's filters.

    The grids of both are fixed: an opening's filter does not depend on the other openings.
    """
    key = np.zeros(len(centre), np.intp)
    for axis, blur_map in enumerate(plan.focus):
        across = across_of(vectors, axis)
        turn = np.rint(np.arctan2(across[:, 1], across[:, 0]) / _TURN).astype(np.intp)
        key = key * _MANY + turn + _MANY // 2
        key = key * _MANY + (0 if blur_map is None else blur_map.classes(centre)) + _MANY // 2
    filters = {}
    for k in np.unique(key):
        made, units, rest = [], [], int(k)
        for edge in reversed(plan.edges):
            rest, number = divmod(rest, _MANY)
            rest, turn = divmod(rest, _MANY)
            angle = (turn - _MANY // 2) * _TURN
            units.append(np.array([np.cos(angle), np.sin(angle)]))
            own = replace(edge, response=response_of(edge.response, number - _MANY // 2))
            made.append(MatchedFilter.of(own, units[-1]))
        filters[int(k)] = (made[::-1], np.stack(units[::-1]))
    return key, filters


def _band(
    source: ScanSource,
    encoding: str,
    bright: bool,
    plan: _Plan,
    filters: dict[int, _Filters],
    rows: tuple[int, int],
    centre: Float,
    key: Index,
    priors: Priors,
) -> BulkEdges:
    """The openings of one band of rows."""
    first, last = max(0, rows[0] - plan.margin), rows[1] + plan.margin + 1
    light = ScanLight(source, encoding, bright).rows(first, last)
    down = np.array([0, first])
    values = BulkValues.unknown(len(centre))
    placed, doubt = np.empty_like(centre), np.empty(len(centre), np.bool_)
    for k, (matched, unit) in filters.items():
        size = max(50, _AT_ONCE // len(matched[0].first.share))
        which = np.flatnonzero(key == k)
        for begin in range(0, len(which), size):
            some = which[begin : begin + size]
            known = tuple(p and p.take(some) for p in priors)
            part = _solve_both(light, centre[some] - down, matched, unit, plan, known)
            placed[some], doubt[some] = part.centre + down, part.doubt
            values.put(some, part.values)
    return BulkEdges(placed, values, doubt)


def _solve_both(
    light: Float32,
    centre: Float,
    filters: list[MatchedFilter],
    unit: Float,
    plan: _Plan,
    priors: Priors,
) -> BulkEdges:
    """Both directions of some openings, from coarse edges."""
    coarse = [
        coarse_edges(
            light, centre, unit[k], plan.spacing[k], _LINES_APART * plan.edges[1 - k].opening
        )
        for k in (0, 1)
    ]
    moved = centre.copy()
    starts, doubt = [], np.zeros(len(centre), np.bool_)
    low, high = WIDTH_RANGE
    for k, (first, second) in enumerate(coarse):
        width, middle = second - first, 0.5 * (first + second)
        usual = plan.edges[k].opening
        lost = ~((width > low * usual) & (width < high * usual))
        lost |= ~(np.abs(middle) < _OFF_CENTRE * plan.spacing[k])
        doubt |= lost
        moved += np.where(lost, 0, middle)[:, None] * unit[k]
        starts.append(np.where(lost, usual, width))
    solved = []
    for k in (0, 1):
        half = 0.5 * starts[k]
        edges = solve(light, moved, -half, half, filters[k], priors[k])
        solved.append(edges)
        doubt |= ~(edges.shift < _STILL)
    values = BulkValues.of(solved)
    doubt |= ~np.isfinite(values.second - values.first).all(axis=0)
    doubt |= _something_inside(light, moved, values, unit, plan)
    doubt |= _wire_lit(light, moved, values, unit, plan)
    return BulkEdges(moved, values, doubt)


def _something_inside(
    light: Float32, centre: Float, values: BulkValues, unit: Float, plan: _Plan
) -> Bool:
    """Openings (n,) in which a pixel is darker than light through them should be."""
    half = [0.5 * e.opening - SIDE_MARGIN_PX - SIDE_MARGIN_BLUR * plan.sigma for e in plan.edges]
    half = [max(h, SMALLEST_INNER * e.opening) for h, e in zip(half, plan.edges, strict=True)]
    size = int(sum(half)) + 2
    x, y = (i.ravel() for i in np.meshgrid(*[np.arange(-size, size + 1)] * 2))
    # Every second pixel, like the fields of one colour on a chessboard: foreign matter that
    # matters covers two neighbouring pixels at least.
    x, y = x[(x + y) % 2 == 0], y[(x + y) % 2 == 0]
    inside = (np.abs(unit @ np.stack([x, y])) <= np.array(half)[:, None]).all(axis=0)
    pixels = _pixels(light, centre, x[inside], y[inside])
    level = (values.floor + _DARK * values.amplitude).mean(axis=0)
    return np.asarray(~(-row_maximum(-pixels) >= level))


def _wire_lit(light: Float32, centre: Float, values: BulkValues, unit: Float, plan: _Plan) -> Bool:
    """Openings (n,) beside a wire that is lit somewhere along its middle."""
    level = (values.floor + _HALF_LIGHT * values.amplitude).mean(axis=0)
    out = np.zeros(len(centre), np.bool_)
    for k, edge in enumerate(plan.edges):
        steps = (_STATIONS * plan.edges[1 - k].opening)[:, None] * unit[1 - k]
        for side, sign in ((values.first, -1), (values.second, 1)):
            away = side[k] + sign * 0.5 * edge.wire
            on = np.nan_to_num(centre + away[:, None] * unit[k])
            offset = np.rint(steps).astype(np.intp)
            out |= ~(_pixels(light, on, *offset.T).max(axis=1) <= level)
    return out


def _pixels(light: Float32, place: Float, x: NDArray[Any], y: NDArray[Any]) -> Float32:
    """Light (n, m) at whole-pixel offsets (m,) from rounded places (n, 2)."""
    base = np.rint(place).astype(np.intp)
    flat = base[:, 1] * light.shape[1] + base[:, 0]
    return np.asarray(light.ravel().take(flat[:, None] + (y * light.shape[1] + x), mode="clip"))
