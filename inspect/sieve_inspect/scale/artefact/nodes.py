"""Finding the marks of a square pattern and giving each its lattice index.

1. The two strongest perpendicular peaks of the picture's spectrum give the lattice vectors.
2. Marks are local maxima of the smoothed picture, bright or dark, with contrast to the sides of
   their own cell.
3. Marks a step or two apart are linked; following the links, the most exact first, numbers them.
4. A smooth map from numbers to places removes outliers: dust, and false links.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import opencv
from sieve_inspect.lattice.pitch import find_pitch
from sieve_inspect.scale.artefact.errors import NoMarksError

_LINK = 0.3  # of the pitch: 4 % of distortion changes a step by up to 12 %
_DARK = 0.05  # light below which contrast is not enhanced
_STANDS_OUT = 0.1  # of the ordinary mark's contrast


@dataclass(frozen=True, eq=False)
class Nodes:
    """Located marks: `index` (n, 2) steps along both lattice vectors, `place` (n, 2) px.

    `vectors` (n, 2, 2) are the local lattice vectors (mark, direction, xy), `bright` whether
    marks are brighter than their ground.
    """

    index: Index
    place: Float
    vectors: Float
    bright: bool

    @property
    def pitch(self) -> float:
        """Mean distance of neighbouring marks, px."""
        return float(np.median(np.hypot(self.vectors[..., 0], self.vectors[..., 1])))


def find_nodes(light: Float32, pattern: str, bright: bool | None = None) -> Nodes:
    """Find the islands of a square pattern in linear light (h, w); `bright` if that is known.

    Raises `NoMarksError`.
    """
    try:
        pitch = find_pitch(light)
    except NoLatticeError as error:
        raise NoMarksError("it shows no regular crossing pattern") from error
    factor = max(1, int(pitch.lengths.min() // 12))
    small = opencv.shrink(light, factor) if factor > 1 else light
    vectors = pitch.vectors / factor
    side = float(np.hypot(*vectors.T).mean())
    smooth = opencv.gaussian_blur(small, 0.18 * side)
    if pattern == "dots":  # against their own ground, those in the shade of a rim show too
        around = opencv.gaussian_blur(small, 0.6 * side)
        smooth = (smooth - around) / (around + np.float32(_DARK))
    best: tuple[float, Index, Float, bool] | None = None
    for sign in (1, -1) if bright is None else (1 if bright else -1,):
        field = sign * smooth
        places = _outstanding(field, _peaks(field, vectors), vectors)
        index, member = _link(places, vectors)
        if member.sum() < 9:
            continue
        island = _likeness(field, places[member], vectors)
        # Between islands lie as many maxima of the other sign, which are not islands.
        if best is None or island < best[0]:
            best = island, index[member], places[member], sign > 0
    if best is None:
        raise NoMarksError("too few marks are connected")
    _, index, places, is_bright = best
    places = (places + 0.5) * factor - 0.5  # the centre of a block of pixels
    _check_kind(light, places, pitch.vectors, pattern)
    return _cleaned(index, places, is_bright)


def _peaks(field: Float32, vectors: Float) -> Float:
    """Local maxima (n, 2) as (x, y), placed between pixels by a parabola in each axis."""
    row, column = opencv.local_maxima(field, 0.35 * float(np.hypot(*vectors.T).min()))
    height, width = field.shape
    inner = (row > 0) & (row < height - 1) & (column > 0) & (column < width - 1)
    row, column = row[inner], column[inner]
    middle = field[row, column].astype(float)
    out = np.stack([column, row], axis=1).astype(float)
    for axis, (dr, dc) in enumerate(((0, 1), (1, 0))):
        before = field[row - dr, column - dc].astype(float)
        after = field[row + dr, column + dc].astype(float)
        bend = before - 2 * middle + after
        step = np.divide(0.5 * (before - after), bend, out=np.zeros_like(bend), where=bend < 0)
        out[:, axis] += np.clip(step, -0.5, 0.5)
    return out


def _sample(field: Float32, points: Float) -> Float:
    column, row = np.rint(points).astype(int).T
    height, width = field.shape
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    out = np.full(len(points), np.nan)
    out[inside] = field[row[inside], column[inside]]
    return out


def _around(field: Float32, points: Float, vectors: Float) -> tuple[Float, Float]:
    """Means over the sides and over the corners of each mark's cell, as far as in the picture."""
    a, b = vectors / 2
    side = np.stack([_sample(field, points + d) for d in (a, -a, b, -b)])
    corner = np.stack([_sample(field, points + d) for d in (a + b, a - b, b - a, -a - b)])
    out = []
    for ring in (side, corner):
        known = np.isfinite(ring)
        total = np.where(known, ring, 0).sum(axis=0)
        out.append(np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan))
    return out[0], out[1]


def _outstanding(field: Float32, places: Float, vectors: Float) -> Float:
    """Marks with at least a tenth of the usual contrast to the sides of their cell."""
    side, _ = _around(field, places, vectors)
    contrast = np.nan_to_num(_sample(field, places) - side)
    real = contrast > 1e-3  # flat areas are full of maxima of nothing
    if not real.any():
        return places[:0]
    usual = float(np.percentile(contrast[real], 95))  # noise beside a small target counts too
    return np.asarray(places[contrast > max(1e-3, _STANDS_OUT * usual)])


def _likeness(field: Float32, places: Float, vectors: Float) -> float:
    """Small for islands: sides and corners of the cell equal, and different from the middle."""
    side, corner = _around(field, places, vectors)
    middle = _sample(field, places)
    return float(np.nanmedian(np.abs(side - corner) / (np.abs(side - middle) + 1e-9)))


def _check_kind(light: Float32, places: Float, vectors: Float, pattern: str) -> None:
    """Separate a chequerboard from other square patterns; confused, the scale is wrong by √2.

    Half a step from a bright square of a chequerboard four squares meet, and it is half bright;
    elsewhere there is only ground.
    """
    shifted = [places + np.array(shift) - 1 for shift in np.ndindex(3, 3)]
    levels = [(_sample(light, near), *_around(light, near, vectors)) for near in shifted]
    middle, side, corner = np.nanmean(np.array(levels), axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = float(np.nanmedian((side - corner) / (middle - corner)))
    if pattern == "checker" and not 0.3 < share < 0.7:
        raise NoMarksError("its marks stand apart, as those of dots or a line grid do")
    if pattern != "checker" and 0.45 < share < 0.55:
        raise NoMarksError("its squares meet at their corners, as those of a chequerboard do")


def _link(places: Float, vectors: Float) -> tuple[Index, Bool]:
    """Index (n, 2) of every mark in the largest linked patch, and which belong to it (n,)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order, connected_components
    from scipy.sparse.csgraph import minimum_spanning_tree as spanning_tree
    from scipy.spatial import cKDTree

    count = len(places)
    index = np.zeros((count, 2), np.intp)
    if count < 9:
        return index, np.zeros(count, np.bool_)
    tree = cKDTree(places)
    reach = _LINK * float(np.hypot(*vectors.T).min())
    start, end, steps, cost = [], [], [], []
    for times in (1, 2):  # two steps over a missing mark, at a higher cost
        for axis, vector in enumerate(vectors):
            nearest: Any = tree.query(places + times * vector, distance_upper_bound=reach)
            distance, other = nearest
            hit = np.flatnonzero(np.isfinite(distance))
            start.append(hit)
            end.append(other[hit])
            cost.append(distance[hit] + (2 * times - 1) * 1e-3 + (times - 1) * 2 * reach)
            steps.append(np.full(len(hit), times + 2 * axis))
    i, j, step, costs = (np.concatenate(part) for part in (start, end, steps, cost))
    graph = coo_array((costs, (i, j)), shape=(count, count)).tocsr()
    branches = spanning_tree(graph)
    _, label = connected_components(branches, directed=False)
    member = np.asarray(label == int(np.argmax(np.bincount(label))))
    walk: Any = breadth_first_order(branches, int(member.argmax()), directed=False)
    order, parent = walk
    moves = {(int(a), int(b)): int(c) for a, b, c in zip(i, j, step, strict=True)}
    kept = branches.tocoo()
    allowed = set(zip(kept.row.tolist(), kept.col.tolist(), strict=True))
    for node in order[1:].tolist():
        before = int(parent[node])
        forward = (before, node) in allowed
        move = moves[before, node] if forward else moves[node, before]
        axis, times = (move - 1) // 2, (move - 1) % 2 + 1
        index[node] = index[before]
        index[node, axis] += times if forward else -times
    return index, member


@dataclass(frozen=True, eq=False)
class SmoothMap:
    """A polynomial from lattice index (n, 2) to places (n, 2) in px, robustly fitted."""

    middle: Float
    spread: float
    powers: tuple[tuple[int, int], ...]
    coefficient: Float

    @classmethod
    def fit(cls, index: Float, place: Float) -> SmoothMap:
        """Degree 1, 3 or 5 by the number of marks."""
        middle, spread = index.mean(axis=0), max(1.0, float(np.ptp(index, axis=0).max()) / 2)
        degree = 1 if len(index) < 30 else 3 if len(index) < 200 else 5
        powers = tuple((a, b) for a in range(degree + 1) for b in range(degree + 1 - a))
        design = _powers((index - middle) / spread, powers)
        weight = np.ones(len(index))
        for _ in range(8):
            root = np.sqrt(weight)[:, None]
            coefficient, *_ = np.linalg.lstsq(design * root, place * root, rcond=None)
            off = np.hypot(*(place - design @ coefficient).T)
            weight = 1 / (1 + (off / (3 * np.median(off) + 1e-6)) ** 2)
        return cls(middle, spread, powers, np.asarray(coefficient, float))

    def __call__(self, index: Float) -> Float:
        """Places (n, 2)."""
        scaled = (index - self.middle) / self.spread
        return np.asarray(_powers(scaled, self.powers) @ self.coefficient)

    def steps(self, index: Float) -> Float:
        """Local lattice vectors (n, 2, 2) in px: mark, direction, xy."""
        u, v = ((index - self.middle) / self.spread).T
        zero = np.zeros_like(u)
        along = [a * u ** (a - 1) * v**b if a else zero for a, b in self.powers]
        down = [b * u**a * v ** (b - 1) if b else zero for a, b in self.powers]
        rates = [np.stack(part, axis=1) @ self.coefficient for part in (along, down)]
        return np.stack(rates, axis=1) / self.spread


def _powers(scaled: Float, powers: tuple[tuple[int, int], ...]) -> Float:
    return np.stack([scaled[:, 0] ** a * scaled[:, 1] ** b for a, b in powers], axis=1)


def _cleaned(index: Index, place: Float, bright: bool) -> Nodes:
    """Drop marks a fifth of a step off the smooth map, and all but the nearest of duplicates."""
    for _ in range(2):
        smooth = SmoothMap.fit(index.astype(float), place)
        steps = smooth.steps(index.astype(float))
        off = np.hypot(*(place - smooth(index.astype(float))).T)
        fits = off < 0.2 * np.hypot(steps[..., 0], steps[..., 1]).min(axis=1)
        order = np.argsort(off, kind="stable")
        _, first = np.unique(index[order], axis=0, return_index=True)
        single = np.zeros(len(index), np.bool_)
        single[order[first]] = True
        index, place = index[fits & single], place[fits & single]
    index = index - index.min(axis=0)
    steps = SmoothMap.fit(index.astype(float), place).steps(index.astype(float))
    return Nodes(index, place, steps, bright)
