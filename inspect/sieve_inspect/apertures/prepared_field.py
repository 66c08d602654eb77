"""A picture whose openings are located and whose edges are roughly known: ready for measuring."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.direction import Axis, measure_axis
from sieve_inspect.edges.initial import (
    InitialEstimate,
    SideShape,
    aligned_to_sides,
    centred,
    estimate_initial,
    measure_sides,
)
from sieve_inspect.edges.model import SensorRange
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image.light import Light
from sieve_inspect.lattice.places import SmoothMap
from sieve_inspect.lattice.search import Lattice

# Share of the width that may be lost away from mid-position: nothing is between straight wires,
# a fifth in round holes.
_STRAIGHT = 0.06
_ALIGNABLE = 8.0  # px an opening must have for its sides to show their direction
_SMALLEST_CELL = 0.5  # of the pitch's cell that the local lattice vectors must span
# Of the pitch: an opening so far inside the ring of the frame shows its edges and the wires behind
# them; half the diagonal of a cell is 0.71.
_CLEAR_OF_RING = 0.75
_FEWEST_CLEAR = 4  # openings; where there are fewer, all that show are used


class Openings(NamedTuple):
    """The n openings of a lattice: `centre` (n, 2) px, `vectors` (n, 2, 2) px, as (x, y).

    `seen` (n,) marks openings that show in the picture, the others are inferred.
    """

    row: Index
    column: Index
    centre: Float
    seen: Bool
    vectors: Float

    @classmethod
    def of(cls, lattice: Lattice, name: object = "the picture") -> Openings:
        """All openings of a lattice, in reading order.

        Raises `NoLatticeError`, in which the picture is called `name`.
        """
        known = np.isfinite(lattice.centre[..., 0])
        row, column = np.nonzero(known)
        centre, seen = lattice.centre[known], lattice.seen[known]
        vectors = SmoothMap.of(row, column, centre, seen).vectors(row, column)
        cell = np.abs(np.linalg.det(vectors))
        if not (np.isfinite(vectors).all() and (cell > _SMALLEST_CELL * lattice.pitch.area).all()):
            raise NoLatticeError(file=name, reason="its rows do not run like those of woven cloth")
        return cls(row, column, centre, seen, vectors)

    def take(self, which: Index) -> Openings:
        """Some of the openings."""
        return Openings._make(array[which] for array in self)


@dataclass(frozen=True, eq=False)
class PreparedField:
    """A picture whose n openings are located and whose edges are roughly known.

    `light` has its openings bright; arrays as in `Openings`. `clip` is the sensor's range where
    pixels reach its ends, `initial` the estimate of each direction, `sides` the shape of the
    openings' sides in each direction, by which the vectors were aligned; None where openings
    are too small to show it.
    """

    light: Light
    lattice: Lattice
    row: Index
    column: Index
    centre: Float
    seen: Bool
    vectors: Float
    clip: SensorRange | None
    initial: list[InitialEstimate]
    sides: list[SideShape] | None

    def measured(self, axis: int) -> tuple[Profiles, Axis]:
        """Every opening across one direction, measured in full."""
        seen = _clear_of_ring(self.lattice, self.centre, self.seen)
        place = (self.centre, seen, self.vectors)
        return measure_axis(self.light, *place, self.initial, self.clip, axis)

    def patch(self, most: int) -> Index:
        """At most so many openings close to each other, and so alike in focus."""
        which = np.flatnonzero(self.seen)
        place = self.centre[which]
        middle = place[np.hypot(*(place - np.median(place, axis=0)).T).argmin()]
        away = np.hypot(*(place - middle).T)
        return np.sort(which[np.argsort(away, kind="stable")[:most]])

    def take(self, which: Index) -> PreparedField:
        """The same with some of the openings."""
        some = {name: getattr(self, name)[which] for name in Openings._fields}
        return replace(self, **some)

    def without_pixels(self) -> PreparedField:
        """The same without light and lattice, small enough to be sent to another process."""
        return replace(self, light=np.zeros((1, 1), np.float32), lattice=self.lattice.bare())


def prepare_openings(
    light: Light, lattice: Lattice, openings: Openings, clip: SensorRange | None, name: object
) -> PreparedField:
    """Prepare openings whose places are known, under a known range of the sensor.

    `light` has its openings bright. Raises `NoLatticeError`, in which the picture is called
    `name`.
    """
    row, column, centre, seen, vectors = openings
    clear = _clear_of_ring(lattice, centre, seen)
    initial = estimate_initial(light, centre[clear], vectors[clear], lattice.pitch.lengths, clip)
    if initial is None:
        raise NoLatticeError(file=name, reason="the openings have no edges that stand out")
    sides = [measure_sides(light, centre[clear], vectors[clear], initial, axis) for axis in (0, 1)]
    if max(side.bulge for side in sides) > _STRAIGHT:
        raise NoLatticeError(file=name, reason="its openings do not have straight sides")
    shown = sides if min(estimate.opening for estimate in initial) >= _ALIGNABLE else None
    if shown is not None:
        vectors = aligned_to_sides(vectors, shown)
    centre = centred(light, centre, vectors, initial)
    return PreparedField(light, lattice, row, column, centre, seen, vectors, clip, initial, shown)


def _clear_of_ring(lattice: Lattice, centre: Float, seen: Bool) -> Bool:
    """The openings seen (n,) whose edges and wires the ring of the frame leaves visible."""
    if lattice.ring is None:
        return seen
    away = _CLEAR_OF_RING * float(lattice.pitch.lengths.mean())
    clear = seen & (lattice.ring.depth(centre) > away)
    return np.asarray(clear if clear.sum() >= _FEWEST_CLEAR else seen)
