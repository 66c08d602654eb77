"""Telling sound openings from blocked, torn, cut and unclear ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.edge import EdgeFit
from sieve_inspect.weave.flags import Flag, State
from sieve_inspect.weave.lattice import Lattice
from sieve_inspect.weave.levels import Levels
from sieve_inspect.weave.profiles import Profiles

__all__ = ["Neighbourhood", "judge_states"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_LIKE = 0.06  # of the light of an opening; within it a place shines like one
_DARK = 0.6  # of the light of an opening; below it a pixel counts as covered
_TOUCHED = 0.02  # dark share of an opening's inner area from which its widths are not believed
_FILLED = 0.12  # dark share from which it counts as blocked
_INSIDE = 0.45  # px a corner may lie beyond the outermost pixel centres; its pixel ends at 0.5


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """The four neighbours of every opening: right, left, below, above.

    `index` (n, 4) numbers them, -1 where the lattice has none. `last` (n,) tells openings that
    lack a neighbour whose middle the picture would show, and where nothing shines like one;
    `rim` (n,) those of them where the cloth itself ends: what should follow is dark or far inside
    the picture. `row` and `column` (n,) are the openings' places in the lattice.
    """

    index: NDArray[np.intp]
    last: Bool
    rim: Bool
    row: NDArray[np.intp]
    column: NDArray[np.intp]

    @classmethod
    def of(
        cls,
        lattice: Lattice,
        row: NDArray[np.intp],
        column: NDArray[np.intp],
        vectors: Float,
        light: NDArray[np.float32],
        levels: Levels,
    ) -> Neighbourhood:
        """Look the neighbours up on the lattice's grid; `vectors` (n, 2, 2) are the local ones."""
        rows, columns = lattice.seen.shape
        grid = np.full((rows + 2, columns + 2), -1, np.intp)
        grid[row + 1, column + 1] = np.arange(len(row))
        moves = ((0, 1), (0, -1), (1, 0), (-1, 0))
        index = np.stack([grid[row + 1 + r, column + 1 + c] for r, c in moves], axis=1)
        centre = lattice.centre[row, column]
        half_lit = 0.5 * (levels.floor + levels.top)
        margin = 0.6 * float(np.median(np.linalg.norm(vectors, axis=2)))
        last, rim = np.zeros(len(row), np.bool_), np.zeros(len(row), np.bool_)
        for k, (r, c) in enumerate(moves):
            place = centre + c * vectors[:, 0] + r * vectors[:, 1]
            lacking = _inside(place, light.shape, 0) & (index[:, k] < 0)
            there = _light_at(light, place)
            dark = there < half_lit
            # As bright as an opening, it is one that lost its wire or its place, and cloth goes on.
            unlike = np.abs(there - levels.top) > _LIKE * (levels.top - levels.floor)
            last |= lacking & unlike
            rim |= lacking & (dark | (unlike & _inside(place, light.shape, margin)))
        rim = _with_dark_ones(rim, lattice.seen[row, column], index)
        return cls(index, last | rim, rim, row, column)


def _inside(place: Float, shape: tuple[int, ...], margin: float) -> Bool:
    x, y = place.T
    across = (x > margin) & (x < shape[1] - 1 - margin)
    return np.asarray(across & (y > margin) & (y < shape[0] - 1 - margin))


def _light_at(light: NDArray[np.float32], place: Float) -> Float:
    """Light (n,) in the middle nine pixels at each place, the border's where it lies outside."""
    column, row = np.rint(place).astype(np.intp).T
    offsets = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    height, width = light.shape
    nine = [
        light[np.clip(row + i, 0, height - 1), np.clip(column + j, 0, width - 1)]
        for i, j in offsets
    ]
    return np.asarray(np.mean(nine, axis=0), np.float64)


def _with_dark_ones(rim: Bool, seen: Bool, index: NDArray[np.intp]) -> Bool:
    """What is dark and hangs together with the outside is outside, and what touches it is rim."""
    rim = rim.copy()
    beyond = rim & ~seen
    while beyond.any():
        touching = (beyond[index] & (index >= 0)).any(axis=1)
        rim |= touching
        further = touching & ~seen & ~beyond
        if not further.any():
            break
        beyond |= further
    return rim


def judge_states(
    light: NDArray[np.float32],
    places: tuple[Float, Float],
    vectors: Float,
    fits: Sequence[EdgeFit],
    profiles: Sequence[Profiles],
    levels: Levels,
    hood: Neighbourhood,
    blur: float,
) -> tuple[NDArray[np.str_], NDArray[np.int64], Float]:
    """State, flags and dark share (0..1) of every opening; see `flags` for their meaning.

    `places` are the openings' centres (n, 2) as the lattice has them and as the fits do; `blur`
    is the Gaussian sigma of the edges, px.
    """
    placed, fitted = places
    flags = np.zeros(len(placed), np.int64)
    size = np.array([np.nanmedian(f.width) for f in fits])
    spread = np.array([1.4826 * _mad(f.width) for f in fits])
    for fit, usual in zip(fits, size, strict=True):
        flags[~np.isfinite(fit.width)] |= Flag.NO_EDGE
        flags[(fit.width < 0.4 * usual) | (fit.width > 1.8 * usual)] |= Flag.MISFIT
    for fit in fits:
        flags[fit.poor] |= Flag.MISFIT
    for fit, gap in zip(fits, (hood.column, hood.row), strict=True):
        flags[_leaned_on(fit, gap)] |= Flag.TOUCHED
    sound = flags == 0
    own = np.stack([np.where(sound, f.width, s) for f, s in zip(fits, size, strict=True)], axis=1)
    usual = np.broadcast_to(size - 2.5 * np.minimum(spread, 0.15 * size), own.shape)
    half = 0.5 * np.where(sound[:, None], np.minimum(own, size), usual) - (0.4 + 1.2 * blur)
    half = np.maximum(half, 0.2 * size)
    between = _between_neighbours(placed, fitted, sound, hood.index)
    middle = np.where(sound[:, None], fitted, between)
    # Where a place is only inferred it may be a little off: such openings are cut only if well so.
    inferred = np.where(sound, 1.0, 0.85)[:, None]
    flags[_cut(light.shape, middle, vectors, inferred * own)] |= Flag.BORDER
    dark = _dark_share(light, middle, vectors, half, levels, _DARK)
    flags[dark > _TOUCHED] |= Flag.TOUCHED
    flags[dark > _FILLED] |= Flag.FILLED
    # At half light the blurred wires end where they do: what is darker within is covered.
    filled = _dark_share(light, middle, vectors, 0.5 * own - 0.25, levels, 0.5)
    wires = np.array([np.nanmedian(f.wires) for f in fits])
    half_lit = 0.5 * (levels.floor + levels.top)
    glaring = _light_at(light, middle) > levels.top + _LIKE * (levels.top - levels.floor)
    beside = glaring[hood.index] & (hood.index >= 0)  # a bright frame, and no cloth
    for axis, (fit, profile) in enumerate(zip(fits, profiles, strict=True)):
        # The wires that cross the missing one must be there, the opening whole and not filled.
        inner = (flags & (Flag.BORDER | Flag.FILLED)) == 0
        framed = np.isfinite(fits[1 - axis].width) & inner
        before, after = (gone & framed for gone in _wire_missing(fit, profile, levels))
        offset = 0.5 * (own[:, axis] + wires[axis])
        after |= inner & _broken(light, middle, vectors, offset, 0.35 * own, half_lit, axis)
        before |= inner & _broken(light, middle, vectors, -offset, 0.35 * own, half_lit, axis)
        after &= ~(glaring | beside[:, 2 * axis])
        before &= ~(glaring | beside[:, 2 * axis + 1])
        flags[before | after] |= Flag.WIRE_MISSING
        _pass_on(flags, hood.index[:, 2 * axis], after)
        _pass_on(flags, hood.index[:, 2 * axis + 1], before)
        odd = fit.width > size[axis] + 8 * spread[axis] + 0.05 * size[axis]
        flags[odd] |= Flag.OVERSIZE
    state = _states(flags, hood)
    state[(state != State.OK) & (glaring | beside.any(axis=1))] = State.PARTIAL
    return state, flags, filled


def _broken(
    light: NDArray[np.float32],
    middle: Float,
    vectors: Float,
    offset: Float,
    half: Float,
    half_lit: Float,
    axis: int,
) -> Bool:
    """Whether the middle line of a wire is lit in one part of its length and dark in another.

    The wire lies `offset` (n,) px from the openings' middles across direction `axis`; it is looked
    at over `half` (n, 2) px to both sides. A line lit all along is no wire's middle at all.
    """
    unit = vectors / np.linalg.norm(vectors, axis=2, keepdims=True)
    base = middle + offset[:, None] * unit[:, axis]
    along = half[:, 1 - axis, None] * unit[:, 1 - axis]
    line = np.stack([_light_at(light, base + t * along) for t in np.linspace(-1, 1, 7)])
    lit = line > half_lit
    dark = line < 0.6 * half_lit
    return np.asarray((lit.sum(axis=0) >= 2) & (dark.sum(axis=0) >= 2))


def _states(flags: NDArray[np.int64], hood: Neighbourhood) -> NDArray[np.str_]:
    """The gravest reason decides; at the cloth's rim what looks damaged is cut, not damaged.

    A wire is missed only where there is cloth on both sides of it: a bright frame looks alike.
    """
    state = np.full(len(flags), State.OK.value, dtype="U8")
    state[(flags & (Flag.MISFIT | Flag.NO_EDGE | Flag.TOUCHED)) > 0] = State.UNCLEAR
    state[(flags & Flag.FILLED) > 0] = State.BLOCKED
    state[(flags & Flag.WIRE_MISSING) > 0] = State.TORN
    state[(state != State.OK) & hood.rim] = State.PARTIAL
    state[(state != State.OK) & (state != State.BLOCKED) & hood.last] = State.PARTIAL
    state[(flags & Flag.BORDER) > 0] = State.PARTIAL
    return state


def _leaned_on(fit: EdgeFit, gap: NDArray[np.intp]) -> Bool:
    """Openings made narrower by something that lies against a wire.

    Wire is drawn to one diameter: where it seems thicker than along its own length elsewhere, and
    the opening on this side is narrower by as much, the thickness is not wire. A wire that was
    pushed aside keeps its diameter and is not meant.
    """
    narrow = _median_of(fit.width, gap) - fit.width
    excess = np.stack([side - _median_of(side, gap) for side in fit.wires.T], axis=1)
    limit = max(6 * 1.4826 * _mad(excess), 0.02 * float(np.nanmedian(fit.wires)))
    return np.asarray(((excess > limit) & (narrow[:, None] > 0.6 * excess)).any(axis=1))


def _median_of(value: Float, group: NDArray[np.intp]) -> Float:
    """The median (n,) of everyone's own group."""
    order = np.lexsort((value, group))
    ordered = group[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    known = np.add.reduceat(np.isfinite(value[order]).astype(np.intp), starts)  # NaN sorts last
    middle = value[order[starts + np.maximum(known - 1, 0) // 2]]
    return np.asarray(middle[np.searchsorted(ordered[starts], group)])


def _mad(value: Float) -> float:
    return float(np.nanmedian(np.abs(value - np.nanmedian(value))))


def _pass_on(flags: NDArray[np.int64], neighbour: NDArray[np.intp], missing: Bool) -> None:
    """The opening on the other side of a missing wire is as torn as this one."""
    other = neighbour[missing]
    flags[other[other >= 0]] |= Flag.WIRE_MISSING


def _between_neighbours(
    placed: Float, fitted: Float, sound: Bool, index: NDArray[np.intp]
) -> Float:
    """Where openings should be by the sound ones on both sides; as placed if there are none.

    What is seen of a half-covered opening lies beside its middle.
    """
    total, times = np.zeros_like(placed), np.zeros(len(placed))
    for one, other in ((index[:, 0], index[:, 1]), (index[:, 2], index[:, 3])):
        both = (one >= 0) & (other >= 0) & sound[one] & sound[other]
        total[both] += 0.5 * (fitted[one[both]] + fitted[other[both]])
        times += both
    return np.where(times[:, None] > 0, total / np.maximum(times, 1)[:, None], placed)


def _cut(shape: tuple[int, ...], centre: Float, vectors: Float, size: Float) -> Bool:
    """Openings of `size` (n, 2) px of which a corner lies outside the picture."""
    unit = vectors / np.linalg.norm(vectors, axis=2, keepdims=True)
    half = 0.5 * size[:, :, None] * unit
    cut = np.zeros(len(centre), np.bool_)
    for i in (-1, 1):
        for j in (-1, 1):
            x, y = (centre + i * half[:, 0] + j * half[:, 1]).T
            cut |= (x < -_INSIDE) | (y < -_INSIDE)
            cut |= (x > shape[1] - 1 + _INSIDE) | (y > shape[0] - 1 + _INSIDE)
    return cut


def _dark_share(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    half: Float,
    levels: Levels,
    level: float,
) -> Float:
    """Share of pixels under `level` (0..1 from wire to opening) within `half` (n, 2) px."""
    extent = int(np.ceil(half.max(axis=0).sum())) + 2
    grid = np.arange(-extent, extent + 1)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    unit = vectors.mean(axis=0)
    unit = unit / np.linalg.norm(unit, axis=1, keepdims=True)
    inverse = np.linalg.inv(unit.T)
    inside = (np.abs(inverse @ np.stack([x, y])) <= half.max(axis=0)[:, None] + 1).all(axis=0)
    x, y = x[inside], y[inside]
    base = np.rint(centre).astype(np.intp)
    rest = base - centre
    height, width = light.shape
    limit = levels.floor + level * (levels.top - levels.floor)
    dark = np.zeros(len(centre))
    size_of_chunk = max(1, (1 << 20) // len(x))
    for first in range(0, len(centre), size_of_chunk):
        part = slice(first, first + size_of_chunk)
        column, row = base[part, :1] + x, base[part, 1:] + y
        counted = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        dx, dy = rest[part, :1] + x, rest[part, 1:] + y
        for k in (0, 1):
            counted &= np.abs(inverse[k, 0] * dx + inverse[k, 1] * dy) <= half[part, k, None]
        np.clip(column, 0, width - 1, out=column)
        np.clip(row, 0, height - 1, out=row)
        below = counted & (light[row, column] < limit[part, None])
        dark[part] = below.sum(axis=1) / np.maximum(counted.sum(axis=1), 1)
    return dark


def _wire_missing(fit: EdgeFit, profile: Profiles, levels: Levels) -> tuple[Bool, Bool]:
    """Whether the profile shows no wire before, or after, the opening.

    It is missed where the darkest place stays over half-way between what the wires of this
    picture usually show at their darkest and the full light of an opening.
    """
    u, w = profile.distance, profile.weight
    size, wire = float(np.nanmedian(fit.width)), float(np.nanmedian(fit.wires))
    span = (levels.top - levels.floor)[:, None]
    height = np.where(w > 0, (profile.value - levels.floor[:, None]) / span, np.inf)
    out = []
    for sign in (-1, 1):
        zone = sign * u > 0.25 * size
        seen = ((sign * u > 0.5 * size + 0.7 * wire) & (w > 0)).any(axis=1)  # not cut before it
        lowest = np.where(zone, height, np.inf).min(axis=1)
        usual = np.median(lowest[np.isfinite(lowest)]) if np.isfinite(lowest).any() else 0.0
        out.append(seen & np.isfinite(lowest) & (lowest > 0.5 * (1 + min(usual, 0.8))))
    return out[0], out[1]
