"""One picture of cloth, measured: every opening with its two widths, its state and its flags."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import NoLatticeError
from sieve_inspect.weave.direction import (
    Axis,
    Rough,
    look_at_sides,
    measure_axis,
    rough_look,
    sensor_range,
    settled,
    turned,
)
from sieve_inspect.weave.edge import Clip, model_of
from sieve_inspect.weave.lattice import Lattice
from sieve_inspect.weave.levels import Levels
from sieve_inspect.weave.profiles import Profiles
from sieve_inspect.weave.states import Neighbourhood, judge_states

__all__ = ["Field", "View", "look_at", "measure_field", "stored_misfit"]

Float = NDArray[np.float64]

_STRAIGHT = 0.06  # share of the width that may be lost away from mid-position
_EVIDENCE = 100  # openings that are asked about the encoding
_TURN = 8.0  # px an opening must have for its sides to tell their direction


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

    def run_of_x(self) -> Float:
        """The way (x, y) px from an opening to the next along direction x, the mean of all.

        Openings of one row lie between the same two wires: the way runs along these, however
        uneven the gaps are.
        """
        shape = self.lattice.seen.shape
        grid = np.full((shape[0], shape[1] + 1), -1, np.intp)
        grid[self.row, self.column] = np.where(self.ok, np.arange(len(self.row)), -1)
        here = np.flatnonzero(self.ok & (grid[self.row, self.column + 1] >= 0))
        if not len(here):
            return np.asarray(self.lattice.pitch.vectors[0])
        there = grid[self.row[here], self.column[here] + 1]
        return np.asarray((self.centre[there] - self.centre[here]).mean(axis=0))

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Openings whose widths are believed."""
        return np.asarray(self.state == "ok")


@dataclass(frozen=True, eq=False)
class View:
    """A picture whose lattice is known and whose openings have been looked at."""

    light: NDArray[np.float32]  # openings bright
    lattice: Lattice
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    centre: Float
    seen: NDArray[np.bool_]
    vectors: Float
    clip: Clip | None
    rough: list[Rough]

    def measured(self, axis: int) -> tuple[Profiles, Axis]:
        """Every opening across one direction."""
        return measure_axis(
            self.light, self.centre, self.seen, self.vectors, self.rough, self.clip, axis
        )

    def some(self, most: int) -> View:
        """The same with at most so many of the openings, from all over the field."""
        which = np.flatnonzero(self.seen)
        which = np.random.default_rng(1).permutation(which)[:most]
        return replace(
            self,
            row=self.row[which],
            column=self.column[which],
            centre=self.centre[which],
            seen=self.seen[which],
            vectors=self.vectors[which],
        )


def look_at(light: NDArray[np.float32], lattice: Lattice, name: object = "the picture") -> View:
    """Look at the openings of a picture (h, w) of linear light. Raises `NoLatticeError`."""
    if not lattice.bright:
        light = light.max() - light
    known = np.isfinite(lattice.centre[..., 0])
    row, column = np.nonzero(known)
    centre, seen = lattice.centre[known], lattice.seen[known]
    vectors = _local_vectors(row, column, centre, seen)
    turn = np.linalg.det(vectors)
    if not (np.isfinite(vectors).all() and (np.abs(turn) > 0.5 * lattice.pitch.area).all()):
        raise NoLatticeError(file=name, reason="its rows do not run like those of woven cloth")
    first, last = np.clip(
        [centre.min(axis=0), centre.max(axis=0)], 0, np.array(light.shape[::-1]) - 1
    ).astype(int)
    clip = sensor_range(light[first[1] : last[1] + 1, first[0] : last[0] + 1])
    rough = rough_look(light, centre[seen], vectors[seen], lattice.pitch.lengths, clip)
    if rough is None:
        raise NoLatticeError(file=name, reason="the openings have no edges that stand out")
    sides = [look_at_sides(light, centre[seen], vectors[seen], rough, axis) for axis in (0, 1)]
    if max(look.bulge for look in sides) > _STRAIGHT:
        raise NoLatticeError(file=name, reason="its openings do not have straight sides")
    if min(look.opening for look in rough) >= _TURN:
        vectors = turned(vectors, sides)
    centre = settled(light, centre, vectors, rough)
    return View(light, lattice, row, column, centre, seen, vectors, clip, rough)


def measure_field(view: View) -> Field:
    """Measure every opening of a picture that has been looked at."""
    with ThreadPoolExecutor(2) as pool:  # the directions know nothing of each other
        profiles, axes = zip(*pool.map(view.measured, (0, 1)), strict=True)
    shift = np.zeros_like(view.centre)
    for axis in axes:
        middle = axis.fit.middle
        shift += np.where(np.isfinite(middle), middle, 0)[:, None] * axis.normal
    limit = 0.5 * max(look.opening for look in view.rough)
    fitted = view.centre + np.clip(shift, -limit, limit)
    noise = float(np.sqrt(np.mean([np.nanmedian(a.fit.misfit[view.seen]) ** 2 for a in axes])))
    fits = [a.fit for a in axes]
    levels = Levels.from_fits(fitted, view.seen, fits)
    hood = Neighbourhood.of(view.lattice, view.row, view.column, view.vectors, view.light, levels)
    blur = max(a.response.sigma for a in axes)
    state, flags, filled = judge_states(
        view.light, (view.centre, fitted), view.vectors, fits, profiles, levels, hood, blur
    )
    # What does not fit has no middle: it stays where the lattice has it.
    centre = np.where((state == "ok")[:, None], fitted, view.centre)
    x, y = axes
    return Field(view.row, view.column, centre, (x, y), state, flags, filled, view.lattice, noise)


def stored_misfit(view: View, stored: Callable[[Float], Float]) -> float:
    """How far the pixels are from sharp-edged openings under one blur, in stored numbers (0..1).

    `stored` turns linear light into what the file holds. A blur moves or bends rising and falling
    edges alike; a wrong idea of the encoding bends them oppositely, and no blur can mend it. So
    of two encodings the one with less misfit is the truer.
    """
    top = float(view.light.max())
    few = view.some(_EVIDENCE)
    total = []
    for axis in (0, 1):
        profiles, result = few.measured(axis)
        fitted = np.flatnonzero(np.isfinite(result.fit.width))
        profiles, parameters = profiles.take(fitted), result.fit.parameters[fitted]
        model, slopes, _ = model_of(profiles, parameters, result.response, view.clip)
        steep = np.abs(slopes[..., 4:]).max(axis=2)
        weight = profiles.weight * (steep > 0.1 * steep.max())  # plateaus tell nothing
        seen, expected = profiles.value, model
        if not view.lattice.bright:
            seen, expected = top - seen, top - expected
        off = stored(np.clip(seen, 0, 1)) - stored(np.clip(expected, 0, 1))
        total.append((weight * off**2).sum(axis=1) / np.maximum((weight > 0).sum(axis=1), 1))
    return float(np.sqrt(np.median(np.concatenate(total))))


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
