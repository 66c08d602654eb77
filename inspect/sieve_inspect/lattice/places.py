"""Places of openings inferred from the other openings.

A smooth map of the field, and on it the offset of each gap between two wires: the spacing of wires
is uneven, but each wire is nearly straight. So the place of an opening follows from its column's
gap across x and its row's gap across y, whatever lies in it or is torn beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.image import opencv

_ASTRAY = 0.2  # share of the pitch that a peak may be off the gaps of its row and column …
_MOST_ASTRAY = 0.2  # … and share of the peaks above which nothing is removed
_ENOUGH = 5000  # openings for a smooth map
_AT_ONCE = 100_000  # openings evaluated together
_BRIDGE = 4  # unknown openings in a line between two known ones
_NEAR = 5  # openings to both sides along a gap that are used
_ROUNDS = 64  # of inferring from known neighbours: holes of up to so many openings from the rim


@dataclass(frozen=True, eq=False)
class SmoothMap:
    """Places and lattice vectors by row and column: a polynomial fitted to a field.

    `middle` is (column, row); `matrix` (degree + 1, degree + 1, 2) belongs to the powers of column
    and row.

    A cubic follows bends and lens distortion and is too stiff for the unevenness of single wires.
    """

    middle: tuple[float, float]
    scale: float
    matrix: Float

    @classmethod
    def of(cls, row: Index, column: Index, centre: Float, good: Bool) -> SmoothMap:
        """The map fitted to the `good` (n,) of openings at `centre` (n, 2) px."""
        scale = max(1.0, float(row.max()), float(column.max()))
        middle = (float(column.mean()), float(row.mean()))
        degree = 3 if good.sum() > 100 else 1
        powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
        some = np.flatnonzero(good)
        some = some[:: max(1, len(some) // _ENOUGH)]
        c, r = (column[some] - middle[0]) / scale, (row[some] - middle[1]) / scale
        design = np.stack([c**i * r**j for i, j in powers], axis=1)
        weight, known = np.ones(len(some)), centre[some]
        for _ in range(3):
            weighted = design * weight[:, None]
            normal = weighted.T @ design
            coefficient, *_ = np.linalg.lstsq(normal, weighted.T @ known, rcond=None)
            off = np.hypot(*(known - design @ coefficient).T)
            weight = (off <= 3 * np.median(off) + 1e-9).astype(float)
        matrix = np.zeros((degree + 1, degree + 1, 2))
        for (i, j), value in zip(powers, coefficient, strict=True):
            matrix[i, j] = value
        return cls(middle, scale, matrix)

    def places(self, row: Index, column: Index) -> Float:
        """Places (n, 2) px."""
        return self._at(self.matrix, row, column)

    def vectors(self, row: Index, column: Index) -> Float:
        """Lattice vectors (n, 2, 2) px with the index (opening, direction, xy)."""
        from numpy.polynomial.polynomial import polyder

        slopes = [np.asarray(polyder(self.matrix, axis=axis), float) for axis in (0, 1)]
        return np.stack([self._at(m, row, column) / self.scale for m in slopes], axis=1)

    def _at(self, matrix: Float, row: Index, column: Index) -> Float:
        from numpy.polynomial.polynomial import polyval2d

        c, r = (column - self.middle[0]) / self.scale, (row - self.middle[1]) / self.scale
        return np.asarray(polyval2d(c, r, matrix).T)

    def shares(self, row: Index, column: Index, centre: Float) -> Float:
        """How far (n, 2) places are off the map, as shares of the vectors; 0 where it is flat."""
        out = np.empty((len(row), 2))
        for first in range(0, len(row), _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            r, c = row[part], column[part]
            off = centre[part] - self.places(r, c)
            ways = self.vectors(r, c).transpose(0, 2, 1)
            flat = np.abs(np.linalg.det(ways)) < 1e-9
            ways[flat], off[flat] = np.eye(2), 0
            out[part] = np.linalg.solve(ways, off[..., None])[..., 0]
        return out


def along_gap(
    row: Index, column: Index, value: Float, good: Bool, axis: int, wanted: Index | None = None
) -> Float:
    """Median (n,) of the `good` values in the same gap near every opening; NaN where none is.

    Openings between the same two wires across direction `axis` share a column (0) or row (1).
    `wanted` (m,) are numbers of openings, by default all; then the result is (m,).
    """
    line, place = (column, row) if axis == 0 else (row, column)
    grid = np.full((line.max() + 1, place.max() + 1 + 2 * _NEAR), np.nan)
    grid[line[good], place[good] + _NEAR] = value[good]
    windows = np.lib.stride_tricks.sliding_window_view(grid, 2 * _NEAR + 1, axis=1)
    if wanted is not None:
        line, place = line[wanted], place[wanted]
    out = np.empty(len(line))
    for first in range(0, len(line), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        near = np.sort(windows[line[part], place[part]], axis=1)  # NaN last
        known = np.isfinite(near).sum(axis=1)
        every = np.arange(len(near))
        low, high = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, near.shape[1] - 1)
        out[part] = 0.5 * (near[every, low] + near[every, high])
    return out


def expected_places(row: Index, column: Index, centre: Float, good: Bool, wanted: Index) -> Float:
    """Places (m, 2) px of the openings `wanted` (m,), expected from the `good` (n,) of all."""
    if not len(wanted):
        return np.zeros((0, 2))
    smooth = SmoothMap.of(row, column, centre, good)
    near = _near(row, column, wanted)
    row, column, good = row[near], column[near], good[near]
    share = smooth.shares(row, column, np.where(good[:, None], centre[near], 0))
    among = np.searchsorted(near, wanted)
    out = smooth.places(row[among], column[among])
    vectors = smooth.vectors(row[among], column[among])
    for axis in (0, 1):
        gap = along_gap(row, column, share[:, axis], good, axis, among)
        lost = np.flatnonzero(np.isnan(gap))
        gap[lost] = _around(row, column, share[:, axis], good, among[lost])
        out += gap[:, None] * vectors[:, axis]
    return out


def _around(row: Index, column: Index, value: Float, good: Bool, wanted: Index) -> Float:
    """Median (m,) of the `good` values nearest to the openings `wanted`; 0 where none is near.

    Beside the frame an opening may have no sound opening in its own gap. The smooth map may be
    further off there than the next row is.
    """
    out = np.zeros(len(wanted))
    if not len(wanted):
        return out
    grid = np.full((row.max() + 1 + 2 * _NEAR, column.max() + 1 + 2 * _NEAR), np.nan)
    grid[row[good] + _NEAR, column[good] + _NEAR] = value[good]
    left = np.arange(len(wanted))
    for reach in range(1, _NEAR + 1):
        side = 2 * reach + 1
        corner = (row[wanted[left]] + _NEAR - reach, column[wanted[left]] + _NEAR - reach)
        near = np.lib.stride_tricks.sliding_window_view(grid, (side, side))[corner]
        known = np.isfinite(near).any(axis=(1, 2))
        out[left[known]] = np.nanmedian(near[known].reshape(-1, side * side), axis=1)
        left = left[~known]
    return out


def _near(row: Index, column: Index, wanted: Index) -> Index:
    """The openings (k,) `wanted` and those from which they may be inferred, in their order."""
    marked = np.zeros((row.max() + 1 + 2 * _NEAR, column.max() + 1 + 2 * _NEAR), np.bool_)
    for down in range(2 * _NEAR + 1):
        for right in range(2 * _NEAR + 1):
            marked[row[wanted] + down, column[wanted] + right] = True
    return np.flatnonzero(marked[row + _NEAR, column + _NEAR])


def without_misplaced(centre: Float) -> Float:
    """A grid of places (rows, columns, 2) px without peaks that are no openings.

    Where a wire is missing, two openings make one peak. Nothing is removed where many peaks
    would have to go: that is no cloth, and is refused later.
    """
    row, column = np.nonzero(np.isfinite(centre[..., 0]))
    good = np.ones(len(row), np.bool_)
    places = centre[row, column]
    share = SmoothMap.of(row, column, places, good).shares(row, column, places)
    astray = np.zeros(len(row), np.bool_)
    for axis in (0, 1):
        gap = along_gap(row, column, share[:, axis], good, axis)
        astray |= np.abs(share[:, axis] - gap) > _ASTRAY
    if astray.mean() > _MOST_ASTRAY:
        return centre
    out = centre.copy()
    out[row[astray], column[astray]] = np.nan
    return out


def with_inferred(centre: Float) -> Float:
    """Infer missing openings from opposite neighbours in their row and their column.

    `centre` (rows, columns, 2) px, NaN where unknown. The middle between the neighbours on both
    sides is right for any smoothly bent cloth; holes wider than an opening close from their rim
    inward, rows missing right across are bridged, and holes with straight sides are spanned.
    """
    centre = np.pad(centre, ((2, 2), (2, 2), (0, 0)), constant_values=np.nan)
    for _ in range(_ROUNDS):
        known = np.isfinite(centre[..., 0])
        core = known[1:-1, 1:-1]
        touched = known[:-2, 1:-1] | known[2:, 1:-1] | known[1:-1, :-2] | known[1:-1, 2:]
        row, column = (i + 1 for i in np.nonzero(touched & ~core))
        inner = (row > 1) & (column > 1) & (row < len(known) - 2) & (column < known.shape[1] - 2)
        row, column = row[inner], column[inner]

        def at(dr: int, dc: int, r: Index = row, c: Index = column) -> Float:
            return np.asarray(centre[r + dr, c + dc])

        guesses = np.stack(
            [
                0.5 * (at(0, -1) + at(0, 1)),
                0.5 * (at(-1, 0) + at(1, 0)),
                at(0, -1) + at(-1, 0) - at(-1, -1),
                at(0, 1) + at(1, 0) - at(1, 1),
                at(0, -1) + at(1, 0) - at(1, -1),
                at(0, 1) + at(-1, 0) - at(-1, 1),
            ]
        )
        usable = np.isfinite(guesses[..., 0])
        support = usable.sum(axis=0)
        inferable = usable[:2].any(axis=0) | (support >= 2)
        if not inferable.any():
            break
        total = np.where(usable[..., None], guesses, 0).sum(axis=0)
        mean = total / np.maximum(support, 1)[:, None]
        centre[row[inferable], column[inferable]] = mean[inferable]
    centre = _with_bridges(centre[2:-2, 2:-2])
    hole = opencv.enclosed(np.isfinite(centre[..., 0]))
    return _with_holes_spanned(centre, hole) if hole.any() else centre


def _with_bridges(centre: Float) -> Float:
    """Fill up to `_BRIDGE` unknown places in a line between two known places, evenly."""
    out = centre.copy()
    for axis in (0, 1):
        lines, given = np.moveaxis(out, axis, 0), np.moveaxis(centre, axis, 0)
        known = np.isfinite(given[..., 0])
        for gap in range(2, _BRIDGE + 1):
            first, last = given[: -gap - 1], given[gap + 1 :]
            open_ = known[: -gap - 1] & known[gap + 1 :]
            for k in range(1, gap + 1):
                open_ &= ~known[k : len(known) - gap - 1 + k]
            line, place = np.nonzero(open_)
            for k in range(1, gap + 1):
                share = k / (gap + 1)
                way = (1 - share) * first[line, place] + share * last[line, place]
                lines[line + k, place] = way
    return out


def _with_holes_spanned(centre: Float, hole: Bool) -> Float:
    """Fill places in a hole, which has known places on all sides: evenly on the lines across."""
    out = centre.copy()
    out[hole] = 0
    for axis in (0, 1):
        lines, cut = np.moveaxis(centre, axis, 0), np.moveaxis(hole, axis, 0)
        spanned = np.moveaxis(out, axis, 0)
        for line in np.flatnonzero(cut.any(axis=1)):
            place = np.flatnonzero(np.isfinite(lines[line, :, 0]))
            cells = np.flatnonzero(cut[line])
            for k in (0, 1):
                spanned[line, cells, k] += 0.5 * np.interp(cells, place, lines[line, place, k])
    return out


def with_notches_filled(centre: Float, shape: tuple[int, ...]) -> Float:
    """Fill places (rows, columns, 2) px in notches of the rim, where the picture has room.

    Where a wire is missing beside the border, two openings show no maximum of their own and have
    no neighbours on both sides: their row and their column give their places.
    """
    out = centre.copy()
    for _ in range(2):
        known = np.pad(np.isfinite(out[..., 0]), 1)
        beside = (known[1:-1, :-2] | known[1:-1, 2:]) & (known[:-2, 1:-1] | known[2:, 1:-1])
        notch = beside & ~known[1:-1, 1:-1]
        if not notch.any():
            break
        row, column = np.nonzero(known[1:-1, 1:-1] | notch)
        wanted = np.flatnonzero(notch[row, column])
        good = ~notch[row, column]
        place = expected_places(row, column, out[row, column], good, wanted)
        room = (place > 0).all(axis=1) & (place < np.array(shape[1::-1]) - 1).all(axis=1)
        out[row[wanted[room]], column[wanted[room]]] = place[room]
    return out
