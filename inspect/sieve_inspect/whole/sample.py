"""Openings from all over the cloth, measured in full: they tell the blur and check the rest."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.direction import sensor_range
from sieve_inspect.weave.field import Openings, View, look_closer
from sieve_inspect.weave.lattice import Lattice
from sieve_inspect.whole.sheet import Sheet

__all__ = ["sample_view"]

Index = NDArray[np.intp]

_ACROSS = 4  # patches in each direction …
_REACHES = (4, 2, 1, 0)  # … and openings to each side of a patch's middle, the most there are
_ROWS = 64  # of the picture asked for the sensor's range


def sample_view(
    sheet: Sheet, lattice: Lattice, openings: Openings, name: object
) -> tuple[View, Index]:
    """The view of some of the `openings`, and which these are. Raises `NoLatticeError`."""
    row, column, centre, seen, vectors = openings
    grid = np.full(lattice.seen.shape, -1, np.intp)
    grid[row, column] = np.arange(len(row))
    reach, middles = _middles(lattice.seen)
    step = np.arange(-reach, reach + 1)
    which = np.unique(
        np.concatenate([grid[np.ix_(r + step, c + step)].ravel() for r, c in middles])
    )
    chosen = (row[which], column[which], centre[which], seen[which], vectors[which])
    clip = sensor_range(_lines(sheet, centre[seen]))
    light = cast(NDArray[np.float32], sheet)  # looked up as an array is, no more is asked of it
    return look_closer(light, lattice, chosen, clip, name), which


def _lines(sheet: Sheet, centre: NDArray[np.float64]) -> NDArray[np.float32]:
    """Some rows of the picture across the cloth at `centre` (n, 2)."""
    upper, lower = np.percentile(centre[:, 1], (5, 95)).astype(int)
    rows = np.linspace(upper, lower, _ROWS).astype(int)
    first, last = np.percentile(centre[:, 0], (5, 95)).astype(int)
    # A row away from the middle of a round cloth is shorter: its middle half is cloth surely.
    quarter = (last - first) // 4
    return np.concatenate(
        [sheet.light(r, r + 1)[:, first + quarter : last - quarter] for r in rows]
    )


def _middles(seen: NDArray[np.bool_]) -> tuple[int, Index]:
    """How far patches reach, and rows and columns (k, 2) of their middles all over the cloth.

    In a patch every opening has been seen.
    """
    from scipy.ndimage import minimum_filter

    for reach in _REACHES:
        whole = minimum_filter(seen, 2 * reach + 1, mode="constant", cval=False)
        row, column = np.nonzero(whole)
        if len(row) >= _ACROSS:
            break
    parts = (np.arange(_ACROSS) + 0.5) / _ACROSS
    found = set()
    for a in row.min() + parts * np.ptp(row):
        for b in column.min() + parts * np.ptp(column):
            away = np.hypot(row - a, column - b)
            nearest = int(away.argmin())
            if away[nearest] <= max(np.ptp(row), np.ptp(column)) / (2 * _ACROSS) + 1:
                found.add((int(row[nearest]), int(column[nearest])))
    return reach, np.array(sorted(found), np.intp)
