"""Openings from all over the cloth, measured in full: they tell the blur and check the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.field import Openings, PreparedField, prepare_openings
from sieve_inspect.edges.initial import find_sensor_range
from sieve_inspect.image import opencv
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.lattice.places import smooth_map
from sieve_inspect.lattice.search import Lattice

__all__ = ["SampleSelection", "prepare_sample"]

Float = NDArray[np.float64]
Index = NDArray[np.intp]

_ACROSS = 4  # patches in each direction …
_REACHES = (3, 2, 1, 0)  # … and openings to each side of a patch's middle, the most there are
_WIDE = 5  # the same of the middle patch, where the encoding is asked for: alike in focus
_ROWS = 64  # of the picture asked for the sensor's range


@dataclass(frozen=True, eq=False)
class SampleSelection:
    """The openings of a cloth on its lattice, and `which` of them are looked at closely."""

    lattice: Lattice
    openings: Openings
    which: Index

    @classmethod
    def of(cls, lattice: Lattice) -> SampleSelection:
        """All openings of the lattice, with patches of them from all over the cloth."""
        known = np.isfinite(lattice.centre[..., 0])
        row, column = (cast(Index, i.astype(np.int32)) for i in np.nonzero(known))
        centre, seen = lattice.centre[known], lattice.seen[known]
        _, vectors = smooth_map(row, column, centre, seen)
        # A million openings and more: places keep their digits, directions need but a few.
        openings = (row, column, centre, seen, cast(Float, vectors.astype(np.float32)))
        grid = np.full(lattice.seen.shape, -1, np.int32)
        grid[row, column] = np.arange(len(row))
        reach, middles = _middles(lattice.seen)
        step = np.arange(-reach, reach + 1)
        blocks = [grid[np.ix_(r + step, c + step)].ravel() for r, c in middles]
        r, c = middles[np.hypot(*(middles - middles.mean(axis=0)).T).argmin()]
        blocks.append(grid[max(0, r - _WIDE) : r + _WIDE + 1, max(0, c - _WIDE) : c + _WIDE + 1])
        which = np.unique(np.concatenate([b.ravel() for b in blocks]))
        # The grid's own places would be held for a million openings and never asked again.
        lattice = replace(lattice, centre=np.empty((0, 0, 2)))
        return cls(lattice, openings, which[which >= 0])

    def sample(self) -> SampleSelection:
        """Only the openings looked at closely, all of them."""
        row, column, centre, seen, vectors = self.openings
        w = self.which
        some = (row[w], column[w], centre[w], seen[w], vectors[w].astype(float))
        return SampleSelection(self.lattice.bare(), some, np.arange(len(w)))


def prepare_sample(sheet: BandedLight, known: SampleSelection, name: object) -> PreparedField:
    """The view of the openings looked at closely. Raises `NoLatticeError`."""
    some = known.sample()
    clip = find_sensor_range(_lines(sheet, some.openings[2]))
    light = cast(NDArray[np.float32], sheet)  # looked up as an array is, no more is asked of it
    return prepare_openings(light, known.lattice, some.openings, clip, name)


def _lines(sheet: BandedLight, centre: NDArray[np.float64]) -> NDArray[np.float32]:
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
    for reach in _REACHES:
        row, column = np.nonzero(opencv.within(seen, reach))
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
