"""A sample of the openings of a scan, prepared for measuring, and with it all of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from sieve_inspect.apertures.encoding_evidence import EncodingEvidence, encoding_evidence
from sieve_inspect.apertures.prepared_field import Openings, PreparedField, prepare_openings
from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.edges.initial import aligned_to_sides, find_sensor_range
from sieve_inspect.image import ScanSource, opencv, stored_by
from sieve_inspect.image.light import ScanLight
from sieve_inspect.lattice.search import Lattice

ALL_UP_TO = 1000  # openings that are all measured in full; of more, patches:
_ACROSS = 4  # patches in each direction …
_REACHES = (2, 1, 0)  # … and openings to each side of a patch's middle, the most that fit
_WIDE = 5  # the same of the middle patch, from which the encoding is judged: alike in focus
_ROWS = 64  # of a large scan from which the sensor's range is taken


@dataclass(frozen=True, eq=False)
class SampleSelection:
    """All openings of a cloth, and the numbers `which` of those in the sample."""

    lattice: Lattice
    openings: Openings
    which: Index

    @classmethod
    def of(cls, lattice: Lattice, name: object = "the picture") -> SampleSelection:
        """All openings of the lattice; the sample is patches of them from all over the cloth.

        Raises `NoLatticeError`, in which the picture is called `name`.
        """
        openings = Openings.of(lattice, name)
        if len(openings.row) <= ALL_UP_TO:
            return cls(lattice, openings, np.arange(len(openings.row)))
        row, column, centre, seen, vectors = openings
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


def _shown(light: ScanLight, centre: Float) -> Float32:
    """The part (h, w) of a held scan that shows the cloth at `centre` (n, 2), else rows of it."""
    height, width = light.shape
    if light.is_held:
        ends = np.clip([centre.min(axis=0), centre.max(axis=0)], 0, (width - 1, height - 1))
        (left, top), (right, bottom) = ends.astype(int)
        return light.rows(top, bottom + 1)[:, left : right + 1]
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


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """A large scan ready for measuring; `sample` is `field` with the openings `which` only."""

    light: ScanLight
    field: PreparedField
    sample: PreparedField
    which: Index


def prepare_scan(light: ScanLight, selection: SampleSelection) -> PreparedScan:
    """Prepare the sample, and with what it shows all openings. Raises `NoLatticeError`."""
    some = selection.sample().openings
    clip = find_sensor_range(_shown(light, some.centre))
    name = light.source.path.name
    sample = prepare_openings(light, selection.lattice, some, clip, name)
    if len(selection.which) == len(selection.openings.row):
        return PreparedScan(light, sample, sample, selection.which)
    row, column, centre, seen, vectors = selection.openings
    if sample.sides is not None:
        vectors = aligned_to_sides(vectors, sample.sides).astype(vectors.dtype)
    field = replace(sample, row=row, column=column, centre=centre, seen=seen, vectors=vectors)
    return PreparedScan(light, field, sample, selection.which)


def sample_evidence(
    source: ScanSource, encoding: str, bright: bool, sample: PreparedField
) -> EncodingEvidence:
    """What the edges of a sample, sent without its pixels, show of an encoding."""
    light = ScanLight(source, encoding, bright)
    clip = sample.clip and find_sensor_range(_shown(light, sample.centre))
    return encoding_evidence(replace(sample, light=light, clip=clip), stored_by(encoding))
