"""Where openings have to be by what all the others say.

A smooth map of the whole field, and on it what a gap between two wires adds: the wires are
uneven from one to the next, but each is nearly straight. So the place of an opening follows from
its column's gap across x and its row's gap across y, whatever lies in it or is torn beside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["along_gap", "closed", "expected_places", "filled", "in_place", "smooth_map"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]

_ASTRAY = 0.2  # share of the pitch a peak may be off where its row and its column have it
_ENOUGH = 5000  # openings for a smooth map
_NEAR = 5  # openings to both sides along a gap that are asked


def smooth_map(row: Index, column: Index, centre: Float, good: Bool) -> tuple[Float, Float]:
    """Smooth places (n, 2) and lattice vectors (n, 2, 2) of all openings, from the `good` ones.

    Vectors have the index (opening, direction, xy). A cubic follows bends and lens distortion and
    is too stiff for the unevenness of single wires.
    """
    from numpy.polynomial.polynomial import polyder, polyval2d

    scale = max(1.0, float(row.max()), float(column.max()))
    c, r = (column - column.mean()) / scale, (row - row.mean()) / scale
    degree = 3 if good.sum() > 100 else 1
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    some = np.flatnonzero(good)
    some = some[:: max(1, len(some) // _ENOUGH)]
    design = np.stack([c[some] ** i * r[some] ** j for i, j in powers], axis=1)
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
    place = polyval2d(c, r, matrix).T
    vectors = [polyval2d(c, r, polyder(matrix, axis=axis)).T / scale for axis in (0, 1)]
    return np.asarray(place), np.stack(vectors, axis=1)


def along_gap(row: Index, column: Index, value: Float, good: Bool, axis: int) -> Float:
    """Median (n,) of the `good` values in the same gap near every opening; NaN where none is.

    Openings between the same two wires across direction `axis` share a column (0) or row (1).
    """
    line, place = (column, row) if axis == 0 else (row, column)
    grid = np.full((line.max() + 1, place.max() + 1 + 2 * _NEAR), np.nan)
    grid[line[good], place[good] + _NEAR] = value[good]
    windows = np.lib.stride_tricks.sliding_window_view(grid, 2 * _NEAR + 1, axis=1)
    near = np.sort(windows[line, place], axis=1)  # NaN last
    known = np.isfinite(near).sum(axis=1)
    every = np.arange(len(near))
    low, high = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, near.shape[1] - 1)
    return np.asarray(0.5 * (near[every, low] + near[every, high]))


def expected_places(row: Index, column: Index, centre: Float, good: Bool) -> tuple[Float, Float]:
    """Places (n, 2) in px where openings are expected by the `good` ones, and `smooth_map`'s.

    The vectors (n, 2, 2) are those of the smooth map.
    """
    base, vectors = smooth_map(row, column, centre, good)
    off = np.where(good[:, None], centre - base, 0)
    share = np.asarray(np.linalg.solve(vectors.transpose(0, 2, 1), off[..., None])[..., 0], float)
    out = base.copy()
    for axis in (0, 1):
        gap = along_gap(row, column, share[:, axis], good, axis)
        out += np.where(np.isfinite(gap), gap, 0)[:, None] * vectors[:, axis]
    return out, vectors


def in_place(centre: Float) -> Float:
    """A grid of places (rows, columns, 2) without peaks that are no opening: two torn make one.

    Nothing is taken away where most peaks would have to go: that is no cloth, and is told later.
    """
    row, column = np.nonzero(np.isfinite(centre[..., 0]))
    places = centre[row, column]
    expected, vectors = expected_places(row, column, places, np.ones(len(row), np.bool_))
    off = np.linalg.solve(vectors.transpose(0, 2, 1), (places - expected)[..., None])[..., 0]
    astray = (np.abs(off) > _ASTRAY).any(axis=1)
    if astray.mean() > 0.2:
        return centre
    out = centre.copy()
    out[row[astray], column[astray]] = np.nan
    return out


def filled(centre: Float) -> Float:
    """Infer missing openings from opposite neighbours in their row and their column.

    The middle between the neighbours on both sides is right for any smoothly bent cloth; holes
    wider than one opening close from their rim inward.
    """
    centre = centre.copy()
    for _ in range(64):
        padded = np.pad(centre, ((2, 2), (2, 2), (0, 0)), constant_values=np.nan)
        core = slice(2, -2)

        def at(dr: int, dc: int, padded: Float = padded) -> Float:
            height, width = centre.shape[:2]
            return padded[2 + dr : 2 + dr + height, 2 + dc : 2 + dc + width]

        guesses = [
            0.5 * (at(0, -1) + at(0, 1)),
            0.5 * (at(-1, 0) + at(1, 0)),
            at(0, -1) + at(-1, 0) - at(-1, -1),
            at(0, 1) + at(1, 0) - at(1, 1),
            at(0, -1) + at(1, 0) - at(1, -1),
            at(0, 1) + at(-1, 0) - at(-1, 1),
        ]
        stack = np.stack(guesses)
        known = np.isfinite(stack[..., 0])
        support = known.sum(axis=0)
        missing = ~np.isfinite(padded[core, core, 0]) & (known[:2].any(axis=0) | (support >= 2))
        if not missing.any():
            break
        weights = known[..., None]
        mean = np.where(weights, stack, 0).sum(axis=0) / np.maximum(support, 1)[..., None]
        centre[missing] = mean[missing]
    return centre


def closed(centre: Float, shape: tuple[int, ...]) -> Float:
    """Places (rows, columns, 2) with those in notches of the rim, where the picture has room.

    Where a wire is missing beside the border, two openings show no maximum of their own and have
    no others on both sides: they lie where their row and their column have them.
    """
    out = centre.copy()
    row, column = (i.ravel() for i in np.indices(centre.shape[:2]))
    for _ in range(2):
        known = np.pad(np.isfinite(out[..., 0]), 1)
        beside = (known[1:-1, :-2] | known[1:-1, 2:]) & (known[:-2, 1:-1] | known[2:, 1:-1])
        notch = beside & ~known[1:-1, 1:-1]
        if not notch.any():
            break
        good = known[1:-1, 1:-1].ravel()
        place = expected_places(row, column, out.reshape(-1, 2), good)[0].reshape(out.shape)
        room = (place > 0).all(axis=2) & (place < np.array(shape[1::-1]) - 1).all(axis=2)
        out[notch & room] = place[notch & room]
    return out
