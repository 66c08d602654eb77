"""One picture of cloth, measured: every opening with its two widths, its state and its flags."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import NoLatticeError
from sieve_inspect.weave.direction import (
    Axis,
    look_at_sides,
    measure_axis,
    rough_look,
    sensor_range,
    settled,
    turned,
)
from sieve_inspect.weave.lattice import Lattice, find_lattice
from sieve_inspect.weave.levels import Levels
from sieve_inspect.weave.profiles import Profiles
from sieve_inspect.weave.states import Neighbourhood, judge_states

__all__ = ["Field", "measure_field"]

Float = NDArray[np.float64]

_STRAIGHT = 0.06  # share of the width that may be lost away from mid-position
_TURN = 0.1  # px that a side may run aside along an opening before the lattice is turned


@dataclass(frozen=True, eq=False)
class Field:
    """All openings of one picture; arrays over the n openings of the lattice.

    `row`, `column` index the lattice, `centre` (n, 2) is (x, y) in px with pixel centres at
    whole numbers, `axes` the directions x and y, `filled` the dark share of each opening.
    """

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    centre: Float
    axes: tuple[Axis, Axis]
    state: NDArray[np.str_]
    flags: NDArray[np.int64]
    filled: Float
    lattice: Lattice
    pixel_noise: float  # standard deviation of one pixel, in linear light

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Openings whose widths are believed."""
        return np.asarray(self.state == "ok")


def measure_field(light: NDArray[np.float32], name: object = "the picture") -> Field:
    """Measure every opening in a picture (h, w) of linear light. Raises `NoLatticeError`."""
    lattice = find_lattice(light, name)
    if not lattice.bright:
        light = light.max() - light
    known = np.isfinite(lattice.centre[..., 0])
    row, column = np.nonzero(known)
    centre, seen = lattice.centre[known], lattice.seen[known]
    vectors = _local_vectors(row, column, centre, seen)
    clip = sensor_range(light)
    rough = rough_look(light, centre[seen], vectors[seen], lattice.pitch.lengths, clip)
    if rough is None:
        raise NoLatticeError(file=name, reason="the openings have no edges that stand out")
    sides = [look_at_sides(light, centre[seen], vectors[seen], rough, axis) for axis in (0, 1)]
    if max(look.bulge for look in sides) > _STRAIGHT:
        raise NoLatticeError(file=name, reason="its openings do not have straight sides")
    if any(abs(s.slope) * r.opening > _TURN for s, r in zip(sides, rough[::-1], strict=True)):
        vectors = turned(vectors, sides)

    def measured(axis: int) -> tuple[Profiles, Axis]:
        return measure_axis(light, centre, seen, vectors, rough, clip, axis)

    centre = placed = settled(light, centre, vectors, rough)
    with ThreadPoolExecutor(2) as pool:  # the directions know nothing of each other
        profiles, axes = zip(*pool.map(measured, (0, 1)), strict=True)
    shift = np.zeros_like(centre)
    for axis in axes:
        middle = axis.fit.middle
        shift += np.where(np.isfinite(middle), middle, 0)[:, None] * axis.normal
    limit = 0.5 * max(look.opening for look in rough)
    centre = centre + np.clip(shift, -limit, limit)
    noise = float(np.sqrt(np.mean([np.nanmedian(a.fit.misfit[seen]) ** 2 for a in axes])))
    x, y = axes
    levels = Levels.from_fits(centre, seen, [a.fit for a in axes])
    hood = Neighbourhood.of(lattice, row, column, vectors, light, levels)
    blur = max(a.response.sigma for a in axes)
    state, flags, filled = judge_states(
        light, (placed, centre), vectors, [a.fit for a in axes], profiles, levels, hood, blur
    )
    centre = np.where((state == "ok")[:, None], centre, placed)  # what does not fit has no middle
    return Field(row, column, centre, (x, y), state, flags, filled, lattice, noise)


def _local_vectors(
    row: NDArray[np.intp], column: NDArray[np.intp], centre: Float, seen: NDArray[np.bool_]
) -> Float:
    """Lattice vectors (n, 2, 2) at every opening, from a smooth map of the whole field.

    Index (opening, direction, xy). A cubic follows bends and lens distortion and is too stiff
    for the unevenness of single wires.
    """
    scale = max(1.0, float(row.max()), float(column.max()))
    c, r = (column - column.mean()) / scale, (row - row.mean()) / scale
    degree = 3 if seen.sum() > 100 else 1
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    design = np.stack([c**i * r**j for i, j in powers], axis=1)
    weight = seen.astype(float)
    for _ in range(3):
        weighted = design * weight[:, None]
        coefficient, *_ = np.linalg.lstsq(weighted, centre * weight[:, None], rcond=None)
        off = np.hypot(*(centre - design @ coefficient).T)
        weight = seen * (off <= 3 * np.median(off[seen]) + 1e-9)
    zero = np.zeros_like(c)
    by_c = np.stack([i * c ** (i - 1) * r**j if i else zero for i, j in powers], axis=1)
    by_r = np.stack([j * c**i * r ** (j - 1) if j else zero for i, j in powers], axis=1)
    return np.stack([by_c @ coefficient, by_r @ coefficient], axis=1) / scale
