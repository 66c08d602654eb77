"""A sample of openings from all over a large cloth: measured in full, it calibrates the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from sieve_inspect.apertures.prepared_field import Openings, PreparedField, prepare_openings
from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.edges.initial import find_sensor_range
from sieve_inspect.image import opencv
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.lattice.search import Lattice

_ACROSS = 4  # patches in each direction …
_REACHES = (3, 2, 1, 0)  # … and openings to each side of a patch's middle, the most that fit
_WIDE = 5  # the same of the middle patch, from which the encoding is judged: alike in focus
_ROWS = 64  # of the picture from which the sensor's range is taken


@dataclass(frozen=True, eq=False)
class SampleSelection:
    """All openings of a cloth, and the numbers `which` of those in the sample."""

    lattice: Lattice
    openings: Openings
    which: Index

    @classmethod
    def of(cls, lattice: Lattice) -> SampleSelection:
        """All openings of the lattice; the sample is patches of them from all over the cloth."""
        row, column, centre, seen, vectors = Openings.of(lattice)
        # Of a million openings and more: places keep their digits, directions need but a few.
        row, column = (cast(Index, i.astype(np.int32)) for i in (row, column))
        openings = Openings(row, column, centre, seen, cast(Float, vectors.astype(np.float32)))
        grid = np.full(lattice.seen.shape, -1, np.int32)
        grid[row, column] = np.arange(len(row))
        reach, middles = _middles(lattice.seen)
        step = np.arange(-reach, reach + 1)
        blocks = [grid[np.ix_(r + step, c + step)].ravel() for r, c in middles]
        r, c = middles[np.hypot(*(middles - middles.mean(axis=0)).T).argmin()]
        blocks.append(grid[max(0, r - _WIDE) : r + _WIDE + 1, max(0, c - _WIDE) : c + _WIDE + 1])
        which = np.unique(np.concatenate([b.ravel() for b in blocks]))
        # The lattice's own places, a second copy, are not needed any more.
        lattice = replace(lattice, centre=np.empty((0, 0, 2)))
        return cls(lattice, openings, which[which >= 0])

    def sample(self) -> SampleSelection:
        """The sample alone, with all of its openings selected."""
        some = self.openings.take(self.which)
        some = some._replace(vectors=some.vectors.astype(float))
        return SampleSelection(self.lattice.bare(), some, np.arange(len(self.which)))


def prepare_sample(light: BandedLight, selection: SampleSelection, name: object) -> PreparedField:
    """Prepare the sample for measuring. Raises `NoLatticeError`."""
    openings = selection.sample().openings
    clip = find_sensor_range(_lines(light, openings.centre))
    return prepare_openings(light, selection.lattice, openings, clip, name)


def _lines(light: BandedLight, centre: Float) -> Float32:
    """Some rows (64, w) of the picture across the cloth at `centre` (n, 2)."""
    upper, lower = np.percentile(centre[:, 1], (5, 95)).astype(int)
    rows = np.linspace(upper, lower, _ROWS).astype(int)
    first, last = np.percentile(centre[:, 0], (5, 95)).astype(int)
    # A row away from the middle of a round cloth is shorter: its middle half is certainly cloth.
    quarter = (last - first) // 4
    return np.concatenate([light.rows(r, r + 1)[:, first + quarter : last - quarter] for r in rows])


def _middles(seen: Bool) -> tuple[int, Index]:
    """How far patches reach, and rows and columns (k, 2) of their middles all over the cloth.

    In a patch every opening is seen.
    """
    for reach in _REACHES:
        row, column = np.nonzero(opencv.within(seen, reach))
        if len(row) >= _ACROSS:
            break
    parts = (np.arange(_ACROSS) + 0.5) / _ACROSS
    middles = set()
    for a in row.min() + parts * np.ptp(row):
        for b in column.min() + parts * np.ptp(column):
            away = np.hypot(row - a, column - b)
            nearest = int(away.argmin())
            if away[nearest] <= max(np.ptp(row), np.ptp(column)) / (2 * _ACROSS) + 1:
                middles.add((int(row[nearest]), int(column[nearest])))
    return reach, np.array(sorted(middles), np.intp)
