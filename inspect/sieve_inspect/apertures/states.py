"""Telling sound openings from blocked, torn, cut and unclear ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import Flag, State
from sieve_inspect.apertures.tears import torn_wires
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.levels import Levels
from sieve_inspect.lattice.places import along_gap, expected_places

__all__ = ["JudgedOpenings", "judge_states", "light_at", "neighbours"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_LIKE = 0.06  # of the light of an opening; within it a place shines like one
_ENOUGH = 50_000  # openings that tell the usual wire
_DARK = 0.6  # of the light of an opening; below it a pixel counts as covered
_TOUCHED = 0.02  # dark share of an opening's inner area from which its widths are not believed
_FILLED = 0.12  # dark share from which it counts as blocked
_MOVES = ((0, 1), (0, -1), (1, 0), (-1, 0))  # (row, column) to the right, left, below, above
_INFERRED = (0.3, 0.015)  # px, and share of its size, that an inferred side may be off
_INSIDE = 0.45  # px a corner may lie beyond the outermost pixel centres; its pixel ends at 0.5


@dataclass(frozen=True, eq=False)
class JudgedOpenings:
    """What is said of n openings: state, flags (see `flags`), covered share (0..1) and middle.

    `middle` (n, 2) px is where the fits have it or, for openings that do not fit, where all the
    others say that it must be.
    """

    state: NDArray[np.str_]
    flags: NDArray[np.int64]
    filled: Float
    middle: Float


@dataclass(frozen=True, eq=False)
class _Neighbourhood:
    """The four neighbours of every opening: right, left, below, above.

    `index` (n, 4) numbers them, -1 where the lattice has none. `last` (n,) tells openings that
    lack a neighbour whose middle the picture would show, and where nothing shines like one;
    `rim` (n,) those of them where the cloth itself ends: what should follow is dark or far inside
    the picture.
    """

    index: NDArray[np.intp]
    last: Bool
    rim: Bool

    @classmethod
    def of(
        cls,
        index: NDArray[np.intp],
        middle: Float,
        vectors: Float,
        light: NDArray[np.float32],
        levels: Levels,
        inside: Float,
    ) -> _Neighbourhood:
        """Look where neighbours are missing; `vectors` (n, 2, 2), `inside` (n,) light of each."""
        half_lit = 0.5 * (levels.floor + levels.top)
        margin = 0.6 * float(np.median(np.linalg.norm(vectors, axis=2)))
        last, rim = np.zeros(len(index), np.bool_), np.zeros(len(index), np.bool_)
        for k, (r, c) in enumerate(_MOVES):
            lacking = np.flatnonzero(index[:, k] < 0)
            steps = vectors[lacking]
            place = middle[lacking] + c * steps[:, 0] + r * steps[:, 1]
            within = _inside(place, light.shape, 0)
            lacking, place = lacking[within], place[within]
            there = light_at(light, place)
            usual, span = levels.top[lacking], (levels.top - levels.floor)[lacking]
            dark = there < half_lit[lacking]
            # As bright as an opening, it is one that lost its wire or its place, and cloth goes on.
            unlike = np.abs(there - usual) > _LIKE * span
            last[lacking] |= unlike
            rim[lacking] |= dark | (unlike & _inside(place, light.shape, margin))
        rim = _with_dark_ones(rim, inside > half_lit, index)
        return cls(index, last | rim, rim)


def _inside(place: Float, shape: tuple[int, ...], margin: float) -> Bool:
    x, y = place.T
    across = (x > margin) & (x < shape[1] - 1 - margin)
    return np.asarray(across & (y > margin) & (y < shape[0] - 1 - margin))


def light_at(light: NDArray[np.float32], place: Float) -> Float:
    """Light (n,) in the middle nine pixels at each place, the border's where it lies outside."""
    column, row = np.rint(place).astype(np.intp).T
    offsets = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    height, width = light.shape
    nine = [
        light[np.clip(row + i, 0, height - 1), np.clip(column + j, 0, width - 1)]
        for i, j in offsets
    ]
    return np.asarray(np.mean(nine, axis=0), np.float64)


def _with_dark_ones(rim: Bool, lit: Bool, index: NDArray[np.intp]) -> Bool:
    """What is dark and hangs together with the outside is outside, and what touches it is rim."""
    rim = rim.copy()
    beyond = rim & ~lit
    while beyond.any():
        touching = (beyond[index] & (index >= 0)).any(axis=1)
        rim |= touching
        further = touching & ~lit & ~beyond
        if not further.any():
            break
        beyond |= further
    return rim


def judge_states(
    light: NDArray[np.float32],
    place: tuple[NDArray[np.intp], NDArray[np.intp]],
    fitted: Float,
    vectors: Float,
    fits: Sequence[EdgeFit],
    levels: Levels,
    blur: float,
    doubt: Bool | None = None,
) -> JudgedOpenings:
    """State and flags of every opening.

    `place` are rows and columns (n,) in the lattice, `fitted` the middles (n, 2) px of the fits,
    which become those of the result;
    `blur` is the Gaussian sigma of the edges, px; `doubt` (n,) marks the openings whose pixels
    are looked at, where it is known that the others are lit and between whole wires.
    """
    row, column = place
    closer = np.arange(len(row)) if doubt is None else np.flatnonzero(doubt)
    flags = np.zeros(len(fitted), np.int64)
    size = np.array([np.nanmedian(f.width) for f in fits])
    spread = np.array([1.4826 * _mad(f.width) for f in fits])
    for fit, usual in zip(fits, size, strict=True):
        flags[~np.isfinite(fit.width)] |= Flag.NO_EDGE
        flags[(fit.width < 0.4 * usual) | (fit.width > 1.8 * usual)] |= Flag.MISFIT
    for fit in fits:
        flags[fit.poor] |= Flag.MISFIT
    for fit, gap in zip(fits, (column, row), strict=True):
        flags[_leaned_on(fit, gap)] |= Flag.TOUCHED
    sound = flags == 0
    index = neighbours(row, column)
    gaps = _gap_sizes(row, column, fits, size, sound)
    # Beside a wire that was pushed aside nothing fits well, but its openings are what they are.
    sound |= _beside_pushed(fits, gaps, index)
    flags[_narrowed(fits, gaps, index)] |= Flag.TOUCHED
    own = np.where(sound[:, None], np.stack([f.width for f in fits], axis=1), gaps)
    middle = fitted
    if sound.any():
        others = np.flatnonzero(~sound)
        middle[others] = expected_places(row, column, middle, sound, others)
    dark, filled = (np.zeros(len(row), fits[0].parameters.dtype) for _ in range(2))
    near = (light, middle[closer], vectors[closer])
    mine, known = own[closer], sound[closer, None]
    slack = np.where(known, 0.0, 2 * np.maximum(_INFERRED[0], _INFERRED[1] * mine))
    flags[closer[_cut(light.shape, *near[1:], mine - slack)]] |= Flag.BORDER
    usual = size - 2.5 * np.minimum(spread, 0.15 * size)
    half = 0.5 * np.minimum(mine, np.where(known, size, usual)) - (0.4 + 1.2 * blur)
    half = np.maximum(half, 0.2 * size)
    dark[closer] = _dark_share(*near, half, levels.take(closer), _DARK)
    flags[dark > _TOUCHED] |= Flag.TOUCHED
    flags[dark > _FILLED] |= Flag.FILLED
    # At half light the blurred wires end where they do: what is darker within is covered.
    filled[closer] = _dark_share(*near, 0.5 * mine - 0.25, levels.take(closer), 0.5)
    inside = levels.top.copy()
    inside[closer] = light_at(light, middle[closer])
    hood = _Neighbourhood.of(index, middle, vectors, light, levels, inside)
    glaring = inside > levels.top + _LIKE * (levels.top - levels.floor)
    beside = glaring[index] & (index >= 0)  # a bright frame, and no cloth
    some = np.arange(0, len(row), max(1, len(row) // _ENOUGH))
    wires = np.array([np.nanmedian(f.take(some).wires) for f in fits])
    torn, lit = torn_wires(light, middle, vectors, own, index, levels, wires, doubt)
    elsewhere = glaring[:, None] | beside[:, ::2]  # light that is no cloth's
    _flag_wires(flags, torn & ~elsewhere, lit, index)
    for fit, usual_here, scatter in zip(fits, size, spread, strict=True):
        flags[fit.width > usual_here + 8 * scatter + 0.05 * usual_here] |= Flag.OVERSIZE
    state = _states(flags, hood)
    state[(state != State.OK) & (glaring | beside.any(axis=1))] = State.PARTIAL
    return JudgedOpenings(state, flags, filled, middle)


def _flag_wires(
    flags: NDArray[np.int64], missing: Bool, lit: Bool, index: NDArray[np.intp]
) -> None:
    """Flag the openings on both sides of wires `missing` (n, 2) or with light on them, `lit`.

    At the edge of a hole the next place is no opening, but the width to it is none either.
    """
    for axis in (0, 1):
        after = index[:, 2 * axis]
        for which, flag in ((missing, Flag.WIRE_MISSING), (lit & ~missing, Flag.MISFIT)):
            flags[which[:, axis]] |= flag
            flags[after[which[:, axis]]] |= flag


def neighbours(row: NDArray[np.intp], column: NDArray[np.intp]) -> NDArray[np.intp]:
    """Numbers (n, 4) of the openings right, left, below and above; -1 where there is none."""
    grid = np.full((row.max() + 3, column.max() + 3), -1, np.int32)
    grid[row + 1, column + 1] = np.arange(len(row))
    return np.stack([grid[row + 1 + r, column + 1 + c] for r, c in _MOVES], axis=1)


def _beside_pushed(fits: Sequence[EdgeFit], gaps: Float, index: NDArray[np.intp]) -> Bool:
    """Openings narrow because a wire stands aside: the next one is wider by as much.

    `gaps` (n, 2) are the usual widths there. Both directions must be usual or explained so.
    """
    out = np.ones(len(gaps), np.bool_)
    for axis, fit in enumerate(fits):
        lost = gaps[:, axis] - fit.width
        told = np.abs(lost) < 0.1 * gaps[:, axis]
        for side in (0, 1):
            other = index[:, 2 * axis + side]
            won = np.where(other >= 0, -lost[other], np.nan)
            told |= (fit.width > 0.3 * gaps[:, axis]) & (np.abs(lost - won) < 0.3 * lost)
        out &= told
    return out


def _gap_sizes(
    row: NDArray[np.intp],
    column: NDArray[np.intp],
    fits: Sequence[EdgeFit],
    size: Float,
    sound: Bool,
) -> Float:
    """Usual widths (n, 2) of the sound openings nearby between the same wires."""
    near = [along_gap(row, column, f.width, sound, axis) for axis, f in enumerate(fits)]
    return np.stack(
        [np.where(np.isfinite(n), n, s) for n, s in zip(near, size, strict=True)],
        axis=1,
        dtype=fits[0].parameters.dtype,
    )


def _narrowed(fits: Sequence[EdgeFit], gaps: Float, index: NDArray[np.intp]) -> Bool:
    """Openings narrower than their gap is nearby, while no neighbour is wider instead.

    A wire pushed aside takes from one opening what it gives to the next; what lies against a
    wire only takes.
    """
    out = np.zeros(len(gaps), np.bool_)
    for axis, fit in enumerate(fits):
        lost = gaps[:, axis] - fit.width
        rest = lost.copy()
        for other in index[:, 2 * axis : 2 * axis + 2].T:
            rest -= np.where(other >= 0, np.fmax(-lost[other], 0), 0)
        limit = max(6 * 1.4826 * _mad(lost), 0.02 * float(np.nanmedian(fit.wires)))
        out |= rest > limit
    return out


def _states(flags: NDArray[np.int64], hood: _Neighbourhood) -> NDArray[np.str_]:
    """The gravest reason decides; at the cloth's rim what looks damaged is cut, not damaged.

    A wire is missed only where there is cloth on both sides of it: a bright frame looks alike.
    """
    state = np.full(len(flags), State.OK.value, dtype="U7")
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
    order = np.argsort(group, kind="stable")
    count = np.bincount(group)
    place = np.arange(len(group)) - np.repeat(np.cumsum(count) - count, count)
    table = np.full((len(count), count.max()), np.nan, value.dtype)
    table[group[order], place] = value[order]
    table.sort(axis=1)  # NaN last
    known = np.isfinite(table).sum(axis=1)
    middle = table[np.arange(len(table)), np.maximum(known - 1, 0) // 2]
    return np.asarray(middle[group])


def _mad(value: Float) -> float:
    return float(np.nanmedian(np.abs(value - np.nanmedian(value))))


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
