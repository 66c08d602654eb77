"""One picture of cloth, measured: every opening with its two widths, its state and its flags."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import State
from sieve_inspect.apertures.states import OpeningSet, judge_states
from sieve_inspect.edges.direction import Axis, measure_axis
from sieve_inspect.edges.initial import (
    InitialEstimate,
    SideShape,
    centred,
    estimate_initial,
    find_sensor_range,
    measure_sides,
    turned,
)
from sieve_inspect.edges.levels import Levels
from sieve_inspect.edges.model import SensorRange, model_of
from sieve_inspect.edges.parameters import EDGES, Parameter
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.lattice.places import smooth_map
from sieve_inspect.lattice.search import Lattice

__all__ = [
    "EncodingEvidence",
    "Field",
    "Openings",
    "PreparedField",
    "encoding_evidence",
    "field_of",
    "measure_field",
    "prepare_field",
    "prepare_openings",
]

Float = NDArray[np.float64]

Openings = tuple[NDArray[np.intp], NDArray[np.intp], Float, NDArray[np.bool_], Float]
"""Row, column, centre (n, 2), whether seen, and lattice vectors (n, 2, 2) of openings."""

_STRAIGHT = 0.06  # share of the width that may be lost away from mid-position
_EVIDENCE = 100  # openings that are asked about the encoding
_FINE = 0.3  # px, steps of what edges have in common
_NO_LIGHT = 0.97  # dark share of an opening
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
class PreparedField:
    """A picture whose lattice is known and whose openings have been looked at."""

    light: NDArray[np.float32]  # openings bright
    lattice: Lattice
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    centre: Float
    seen: NDArray[np.bool_]
    vectors: Float
    clip: SensorRange | None
    rough: list[InitialEstimate]
    sides: list[SideShape] | None  # by which the vectors were turned, where the sides could tell

    def measured(self, axis: int) -> tuple[Profiles, Axis]:
        """Every opening across one direction."""
        return measure_axis(
            self.light, self.centre, self.seen, self.vectors, self.rough, self.clip, axis
        )

    def patch(self, most: int) -> PreparedField:
        """The same with at most so many of the openings, from one place: alike in focus."""
        which = np.flatnonzero(self.seen)
        place = self.centre[which]
        middle = place[np.hypot(*(place - np.median(place, axis=0)).T).argmin()]
        away = np.hypot(*(place - middle).T)
        return self.only(np.sort(which[np.argsort(away, kind="stable")[:most]]))

    def only(self, which: NDArray[np.intp]) -> PreparedField:
        """The same with some of the openings."""
        return replace(
            self,
            row=self.row[which],
            column=self.column[which],
            centre=self.centre[which],
            seen=self.seen[which],
            vectors=self.vectors[which],
        )


def prepare_field(
    light: NDArray[np.float32], lattice: Lattice, name: object = "the picture"
) -> PreparedField:
    """Look at the openings of a picture (h, w) of linear light. Raises `NoLatticeError`."""
    if not lattice.bright:
        light = light.max() - light
    known = np.isfinite(lattice.centre[..., 0])
    row, column = np.nonzero(known)
    centre, seen = lattice.centre[known], lattice.seen[known]
    _, vectors = smooth_map(row, column, centre, seen)
    turn = np.linalg.det(vectors)
    if not (np.isfinite(vectors).all() and (np.abs(turn) > 0.5 * lattice.pitch.area).all()):
        raise NoLatticeError(file=name, reason="its rows do not run like those of woven cloth")
    first, last = np.clip(
        [centre.min(axis=0), centre.max(axis=0)], 0, np.array(light.shape[::-1]) - 1
    ).astype(int)
    clip = find_sensor_range(light[first[1] : last[1] + 1, first[0] : last[0] + 1])
    return prepare_openings(light, lattice, (row, column, centre, seen, vectors), clip, name)


def prepare_openings(
    light: NDArray[np.float32],
    lattice: Lattice,
    openings: Openings,
    clip: SensorRange | None,
    name: object,
) -> PreparedField:
    """The same where the openings and the sensor's range are known; `light` has openings bright."""
    row, column, centre, seen, vectors = openings
    rough = estimate_initial(light, centre[seen], vectors[seen], lattice.pitch.lengths, clip)
    if rough is None:
        raise NoLatticeError(file=name, reason="the openings have no edges that stand out")
    sides = [measure_sides(light, centre[seen], vectors[seen], rough, axis) for axis in (0, 1)]
    if max(look.bulge for look in sides) > _STRAIGHT:
        raise NoLatticeError(file=name, reason="its openings do not have straight sides")
    told = sides if min(look.opening for look in rough) >= _TURN else None
    if told is not None:
        vectors = turned(vectors, told)
    centre = centred(light, centre, vectors, rough)
    return PreparedField(light, lattice, row, column, centre, seen, vectors, clip, rough, told)


def measure_field(view: PreparedField) -> Field:
    """Measure every opening of a picture that has been looked at."""
    with ThreadPoolExecutor(2) as pool:  # the directions know nothing of each other
        axes = [axis for _, axis in pool.map(view.measured, (0, 1))]
    return field_of(view, (axes[0], axes[1]))


def field_of(
    view: PreparedField, axes: tuple[Axis, Axis], doubt: NDArray[np.bool_] | None = None
) -> Field:
    """The field of openings that have been measured; for `doubt` see `states.judge_states`.

    `axes` are used up: of a million openings there is no room for two copies.
    """
    fitted = np.zeros_like(view.centre)
    for axis in axes:
        middle = axis.fit.middle
        fitted += np.where(np.isfinite(middle), middle, 0)[:, None] * axis.normal
    limit = 0.5 * max(look.opening for look in view.rough)
    np.clip(fitted, -limit, limit, out=fitted)
    fitted += view.centre
    noise = float(np.sqrt(np.mean([np.nanmedian(a.fit.misfit[view.seen]) ** 2 for a in axes])))
    fits = [a.fit for a in axes]
    levels = Levels.from_fits(fitted, view.seen, fits)
    blur = max(a.response.sigma for a in axes)
    place = (view.row, view.column, fitted, view.vectors)
    judged = judge_states(OpeningSet(view.light, *place, fits, levels, blur, doubt))
    # A place beyond the last openings at which no light comes through is none of the cloth's.
    dark = judged.filled > _NO_LIGHT
    there = np.flatnonzero(view.seen | (judged.state != State.PARTIAL) | ~dark)
    return Field(
        view.row[there],
        view.column[there],
        judged.middle[there],
        (axes[0].pack(there), axes[1].pack(there)),
        judged.state[there],
        judged.flags[there],
        judged.filled[there],
        view.lattice,
        noise,
    )


class EncodingEvidence(NamedTuple):
    """How far pixels are from sharp-edged openings under one blur, if the encoding is as thought.

    `misfit` is that of single pixels, in stored numbers (0..1), and `pattern` what of it is left
    in the mean over many edges, where noise is not. `excess` is how much larger the misfit is at
    the edges than within the openings, in linear light as a share of an opening's. `alike` is 1
    where all edges lie alike between the pixels' middles, 0 where they lie anyhow: seen at a few
    places only, an edge may have any shape between them.
    """

    misfit: float
    excess: float
    pattern: float
    alike: float


def encoding_evidence(view: PreparedField, stored: Callable[[Float], Float]) -> EncodingEvidence:
    """What the edges say of the encoding under which `view` was looked at.

    `stored` turns linear light into what the file holds. A blur moves or bends rising and falling
    edges alike; a wrong idea of the encoding bends them oppositely, and no blur can mend it. So
    of two encodings the one with less misfit is the truer. What else bends edges (JPEG, focus that
    varies) can deceive this witness, so the excess is asked as well, and only openings from one
    place, alike in focus.
    """
    top = float(view.light.max())
    few = view.patch(_EVIDENCE)
    total, patterns, phases, excess = [], [], [], 0.0
    for axis in (0, 1):
        profiles, result = few.measured(axis)
        excess = max(excess, result.excess)
        fitted = np.flatnonzero(np.isfinite(result.fit.width))
        profiles, parameters = profiles.take(fitted), result.fit.parameters[fitted]
        model, slopes, _ = model_of(profiles, parameters, result.response, view.clip)
        steep = np.abs(slopes[:, EDGES]).max(axis=1)
        weight = profiles.weight * (steep > 0.1 * steep.max())  # plateaus tell nothing
        seen, expected = profiles.value, model
        if not view.lattice.bright:
            seen, expected = top - seen, top - expected
        off = stored(np.clip(seen, 0, 1)) - stored(np.clip(expected, 0, 1))
        total.append((weight * off**2).sum(axis=1) / np.maximum((weight > 0).sum(axis=1), 1))
        usual = total[-1] < 4 * np.median(total[-1])  # foreign matter has patterns of its own
        for edge, sign in ((Parameter.FIRST_EDGE, 1), (Parameter.SECOND_EDGE, -1)):
            into = sign * (profiles.distance - parameters[:, edge, None])
            patterns.append(_pattern(into[usual], off[usual], weight[usual], result.response.sigma))
            near = profiles.weight * (np.abs(into) < 1)
            phases.append(abs((near * np.exp(2j * np.pi * into)).sum()) / max(near.sum(), 1e-9))
    misfit = float(np.sqrt(np.median(np.concatenate(total))))
    return EncodingEvidence(
        misfit, excess, float(np.sqrt(np.mean(patterns))), float(np.mean(phases))
    )


def _pattern(into: Float, off: Float, weight: Float, sigma: float) -> float:
    """Mean square of what residuals `off` at places `into` the openings have in common."""
    reach = 3 * sigma
    near = (np.abs(into) < reach) & (weight > 0)
    slot = ((into[near] + reach) / _FINE).astype(np.intp)
    count = int(2 * reach / _FINE) + 1
    pixels = np.bincount(slot, weight[near], count)
    common = np.bincount(slot, (weight * off)[near], count) / np.maximum(pixels, 1)
    noise = float((weight * off**2)[near].sum() / max(1, len(slot)))
    some = pixels > 0
    square = (common[some] ** 2).mean() - (noise / pixels[some]).mean()
    return max(float(square), 0.0)
