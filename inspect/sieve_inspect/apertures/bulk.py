"""Every opening of the cloth by matched weights, band by band."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.coarse import coarse_edges
from sieve_inspect.edges.direction import Axis
from sieve_inspect.edges.focus import BlurMap, response_of
from sieve_inspect.edges.initial import across_of
from sieve_inspect.edges.matched_filter import Edge, Matched, highest, solve
from sieve_inspect.edges.model import LevelPrior
from sieve_inspect.image import ScanSource
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.workers.helper import Progress, SharedWork

__all__ = ["Bulk", "Priors", "measure_bulk"]

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]

CORE = 512  # rows of a band that are its own, at most …
_BAND = 4_000_000  # … and pixels
_AT_ONCE = 200_000  # pixels of edges: they stay in the cache
_TURN = np.deg2rad(0.25)  # wires that run alike to this share their weights
_MANY = 4096  # more than there are turns or classes of focus
_DARK = 0.6  # of an opening's light; below it a pixel counts as covered
_STATIONS = np.linspace(-0.35, 0.35, 7)  # along a wire, shares of an opening
_STILL = 0.15  # px a solved edge may have moved last


@dataclass(frozen=True, eq=False)
class Bulk:
    """What matched weights say of n openings; NaN where nothing was solved.

    By direction (2, n): `first`, `second` edges in px across from `centre` (n, 2), `floor`,
    `amplitude`, `noise_factor`, `misfit`, `peak` as in `weave.edge.EdgeFit`. `doubt` (n,) marks
    openings that a closer look has to settle.
    """

    centre: Float
    values: dict[str, Float32]
    doubt: Bool

    def __getitem__(self, name: str) -> Float32:
        return self.values[name]


_NAMES = ("first", "second", "floor", "amplitude", "noise_factor", "misfit", "peak")


@dataclass(frozen=True, eq=False)
class _Plan:
    """Sizes that hold for the whole cloth, px; by direction."""

    edges: tuple[Edge, Edge]
    focus: tuple[BlurMap | None, BlurMap | None]
    spacing: tuple[float, float]
    sigma: float
    margin: int

    @classmethod
    def of(cls, axes: tuple[Axis, Axis]) -> _Plan:
        opening = [float(np.nanmedian(a.fit.width)) for a in axes]
        wire = [float(np.nanmedian(a.fit.wires)) for a in axes]
        edges = tuple(
            Edge(opening[k], wire[k], 0.25 * opening[1 - k], axes[k].response) for k in (0, 1)
        )
        spacing = (opening[0] + wire[0], opening[1] + wire[1])
        sigma = max(a.response.sigma for a in axes)
        margin = int(1.5 * max(spacing)) + 4
        focus = (axes[0].stretch, axes[1].stretch)
        return cls((edges[0], edges[1]), focus, spacing, sigma, margin)


def measure_bulk(
    sheet: BandedLight,
    centre: Float,
    vectors: Float,
    axes: tuple[Axis, Axis],
    priors: Priors,
    crew: SharedWork,
    progress: Progress,
) -> Bulk:
    """Measure the openings near `centre` (n, 2) px with lattice `vectors` (n, 2, 2).

    `axes` are the two directions of a sample of them, measured in full; `priors` is what the
    sample tells of their levels in each, where single openings cannot tell enough.
    """
    plan = _Plan.of(axes)
    count = len(centre)
    values = {name: np.full((2, count), np.nan, np.float32) for name in _NAMES}
    placed, doubt = centre.copy(), np.ones(count, np.bool_)
    height, width = sheet.shape
    x, y = centre.T
    m = plan.margin
    inner = (x >= m) & (x < width - 1 - m) & (y >= m) & (y < height - 1 - m)
    key, tables = _kinds(centre, vectors, plan)
    order = np.argsort(y, kind="stable")
    order = order[inner[order]]
    core = max(64, min(CORE, _BAND // width))
    ends = np.searchsorted(y[order], np.arange(0, height + core, core))
    bands = [(n, order[a:b]) for n, (a, b) in enumerate(pairwise(ends)) if b > a]
    tasks = []
    for number, which in bands:
        needed = {int(k): tables[int(k)] for k in np.unique(key[which])}
        rows = (number * core, (number + 1) * core)
        told = (sheet.encoding, sheet.bright, plan, needed)
        known = tuple(p and p.take(which) for p in priors)
        tasks.append((*told, rows, centre[which], key[which], known))
    for (_, which), (found, moved, bad) in zip(
        bands, crew.each(_band, tasks, progress), strict=True
    ):
        placed[which], doubt[which] = moved, bad
        for name in _NAMES:
            values[name][:, which] = found[name]
    return Bulk(placed, values, doubt)


Priors = tuple[LevelPrior | None, ...]  # by direction
_Tables = tuple[list[Matched], Float]  # weights by direction, and the unit vectors across (2, 2)


def _kinds(centre: Float, vectors: Float, plan: _Plan) -> tuple[Index, dict[int, _Tables]]:
    """A key (n,) for the way an opening's wires run and its focus, and the weights for every key.

    The grids of both are fixed: which weights an opening gets does not depend on the others.
    """
    key = np.zeros(len(centre), np.intp)
    for axis, stretch in enumerate(plan.focus):
        across = across_of(vectors, axis)
        turn = np.rint(np.arctan2(across[:, 1], across[:, 0]) / _TURN).astype(np.intp)
        key = key * _MANY + turn + _MANY // 2
        key = key * _MANY + (0 if stretch is None else stretch.classes(centre)) + _MANY // 2
    tables = {}
    for k in np.unique(key):
        made, units, rest = [], [], int(k)
        for edge in reversed(plan.edges):
            rest, number = divmod(rest, _MANY)
            rest, turn = divmod(rest, _MANY)
            angle = (turn - _MANY // 2) * _TURN
            units.append(np.array([np.cos(angle), np.sin(angle)]))
            own = replace(edge, response=response_of(edge.response, number - _MANY // 2))
            made.append(Matched.of(own, units[-1]))
        tables[int(k)] = (made[::-1], np.stack(units[::-1]))
    return key, tables


def _band(
    source: ScanSource,
    encoding: str,
    bright: bool,
    plan: _Plan,
    tables: dict[int, _Tables],
    rows: tuple[int, int],
    centre: Float,
    key: Index,
    priors: Priors,
) -> tuple[dict[str, Float32], Float, Bool]:
    """Values (2, n) by name, moved centres and doubt of the openings of one band of rows."""
    first, last = max(0, rows[0] - plan.margin), rows[1] + plan.margin + 1
    light = BandedLight(source, encoding, bright).light(first, last)
    down = np.array([0, first])
    values = {name: np.empty((2, len(centre)), np.float32) for name in _NAMES}
    placed, doubt = np.empty_like(centre), np.empty(len(centre), np.bool_)
    for k, (matched, unit) in tables.items():
        size = max(50, _AT_ONCE // len(matched[0].first.share))
        for some in _slices(np.flatnonzero(key == k), size):
            known = tuple(p and p.take(some) for p in priors)
            found, moved, bad = _solve_both(light, centre[some] - down, matched, unit, plan, known)
            placed[some], doubt[some] = moved + down, bad
            for name in _NAMES:
                values[name][:, some] = found[name]
    return values, placed, doubt


def _slices(which: Index, size: int) -> Iterator[Index]:
    for first in range(0, len(which), size):
        yield which[first : first + size]


def _solve_both(
    light: Float32,
    centre: Float,
    tables: list[Matched],
    unit: Float,
    plan: _Plan,
    priors: Priors,
) -> tuple[dict[str, Float], Float, Bool]:
    """Both directions of some openings: values (2, n) by name, moved centres, doubt (n,)."""
    coarse = [
        coarse_edges(light, centre, unit[k], plan.spacing[k], 0.15 * plan.edges[1 - k].opening)
        for k in (0, 1)
    ]
    moved = centre.copy()
    starts, bad = [], np.zeros(len(centre), np.bool_)
    for k, c in enumerate(coarse):
        width, middle = c.second - c.first, 0.5 * (c.first + c.second)
        usual = plan.edges[k].opening
        lost = ~((width > 0.4 * usual) & (width < 1.8 * usual))
        lost |= ~(np.abs(middle) < 0.3 * plan.spacing[k])
        bad |= lost
        moved += np.where(lost, 0, middle)[:, None] * unit[k]
        starts.append(np.where(lost, usual, width))
    solved = []
    for k in (0, 1):
        half = 0.5 * starts[k]
        one = solve(light, moved, -half, half, tables[k], priors[k])
        solved.append(one)
        bad |= ~(one.shift < _STILL)
    found = {name: np.stack([getattr(s, name) for s in solved]) for name in _NAMES}
    bad |= ~np.isfinite(found["second"] - found["first"]).all(axis=0)
    bad |= _something_inside(light, moved, found, unit, plan)
    bad |= _wire_lit(light, moved, found, unit, plan)
    return found, moved, bad


def _something_inside(
    light: Float32, centre: Float, found: dict[str, Float], unit: Float, plan: _Plan
) -> Bool:
    """Openings (n,) in which a pixel is darker than light through them should be."""
    half = [0.5 * e.opening - 0.4 - 1.2 * plan.sigma for e in plan.edges]
    half = [max(h, 0.2 * e.opening) for h, e in zip(half, plan.edges, strict=True)]
    size = int(sum(half)) + 2
    x, y = (i.ravel() for i in np.meshgrid(*[np.arange(-size, size + 1)] * 2))
    x, y = x[(x + y) % 2 == 0], y[(x + y) % 2 == 0]  # what matters covers two pixels at least
    inside = (np.abs(unit @ np.stack([x, y])) <= np.array(half)[:, None]).all(axis=0)
    pixels = _pixels(light, centre, x[inside], y[inside])
    level = (found["floor"] + _DARK * found["amplitude"]).mean(axis=0)
    return np.asarray(~(-highest(-pixels) >= level))


def _wire_lit(
    light: Float32, centre: Float, found: dict[str, Float], unit: Float, plan: _Plan
) -> Bool:
    """Openings (n,) beside a wire that is lit somewhere along its middle."""
    level = (found["floor"] + 0.5 * found["amplitude"]).mean(axis=0)
    out = np.zeros(len(centre), np.bool_)
    for k, edge in enumerate(plan.edges):
        steps = (_STATIONS * plan.edges[1 - k].opening)[:, None] * unit[1 - k]
        for name, sign in (("first", -1), ("second", 1)):
            away = found[name][k] + sign * 0.5 * edge.wire
            on = np.nan_to_num(centre + away[:, None] * unit[k])
            offset = np.rint(steps).astype(np.intp)
            out |= ~(_pixels(light, on, *offset.T).max(axis=1) <= level)
    return out


def _pixels(light: Float32, place: Float, x: NDArray[Any], y: NDArray[Any]) -> Float32:
    """Light (n, m) at whole-pixel offsets (m,) from rounded places (n, 2)."""
    base = np.rint(place).astype(np.intp)
    flat = base[:, 1] * light.shape[1] + base[:, 0]
    return np.asarray(light.ravel().take(flat[:, None] + (y * light.shape[1] + x), mode="clip"))
