"""Sound, blocked, torn, cut and unclear openings: rules that set flags, and states from flags.

Every rule is a function of all openings that marks (n,) of them; the tables `FIT_RULES`,
`PIXEL_RULES` and `STATE_RULES` give their order. Rules on the fits come first, for they decide
which openings are sound; sound neighbours then say where an opening that does not fit lies and
how large it is, and the rules on pixels examine it there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.coverage import (
    SIDE_MARGIN_BLUR,
    SIDE_MARGIN_PX,
    SMALLEST_INNER,
    cut_by_border,
    dark_share,
)
from sieve_inspect.apertures.flags import Flag, State
from sieve_inspect.apertures.neighbourhood import (
    Neighbourhood,
    glaring,
    light_at,
    neighbours,
)
from sieve_inspect.apertures.tears import torn_wires
from sieve_inspect.apertures.width_comparison import (
    beside_displaced_wire,
    gap_sizes,
    narrowed_at_wire,
    narrower_than_gap,
    spread,
)
from sieve_inspect.edges.coarse import WIDTH_RANGE
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light
from sieve_inspect.lattice.places import expected_places

__all__ = [
    "FIT_RULES",
    "PIXEL_RULES",
    "STATE_RULES",
    "JudgedOpenings",
    "OpeningSet",
    "judge_states",
]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]
Flags = NDArray[np.int64]
States = NDArray[np.str_]

# Thresholds. "Free from a to b": within this range no state changed on nineteen drawn and scanned
# pictures (16,539 openings; damage, blur, rotation, JPEG, uneven focus, light from above). "d and
# u": so many states changed with the threshold 15 % lower and 15 % higher.
#
# A pixel is dark below this share of the light from wire to opening. Of an opening lit evenly the
# inner part is far above it and what lies there far below; only blur comes near: 18 and 11.
_DARK = 0.6
# The same where the covered area is measured: a blurred edge passes half light where it lies.
_HALF_LIGHT = 0.5
# Dark share of the inner part from which something lies in an opening and its widths are not
# believed. Free from 0.01 to 0.04: a pixel or two of 10 px openings.
_TOUCHED = 0.02
# Dark share of the inner part from which an opening is blocked. 1 and 0.
_FILLED = 0.12
# An opening that does not fit may be narrower than the usual: so many robust standard deviations
# (free from 1.25 to 5), but by no more than this share of each of them (free from 0.08 to 0.3).
_NARROW_SPREADS = 2.5
_NARROW_SHARE = 0.15
# px to each side by which the covered area ends before the edge, which is known no better.
_HALF_LIGHT_MARGIN_PX = 0.25
# A side placed by the neighbours may be off by so many px (1 and 0), or in large openings by this
# share of the size (free from 0.008 to 0.017): it counts as cut only further outside.
_INFERRED_PX = 0.3
_INFERRED_SHARE = 0.015
# An opening is oversize from so many robust standard deviations and this share above the usual
# width: at a spread of 3 % these are 29 %. It sets a flag and no state.
_OVERSIZE_SPREADS = 8
_OVERSIZE_SHARE = 0.05
_ENOUGH = 50_000  # openings from which the usual wire is taken


@dataclass(frozen=True, eq=False)
class JudgedOpenings:
    """The result for n openings: state, flags (see `flags`), covered share (0..1) and middle.

    `middle` (n, 2) px is where the fits have it or, for openings that do not fit, where their
    neighbours' places put it.
    """

    state: States
    flags: Flags
    filled: Float
    middle: Float


@dataclass(frozen=True, eq=False)
class OpeningSet:
    """What the rules read of n openings.

    `row`, `column` (n,) index the lattice; `fitted` (n, 2) px are the middles of the fits, which
    become those of the result; `vectors` (n, 2, 2) px the local lattice; `fits` the two
    directions; `blur` px the Gaussian sigma of the edges; `doubt` (n,) marks the openings whose
    pixels are examined, where it is known that the others are lit and between undamaged wires,
    None examines all.
    """

    light: Light
    row: Index
    column: Index
    fitted: Float
    vectors: Float
    fits: Sequence[EdgeFit]
    levels: Levels
    blur: float
    doubt: Bool | None

    @cached_property
    def examined(self) -> Index:
        """Numbers (m,) of the openings whose pixels are examined."""
        return np.arange(len(self.row)) if self.doubt is None else np.flatnonzero(self.doubt)

    @cached_property
    def size(self) -> Float:
        """Usual width (2,) in each direction, px."""
        return np.array([np.nanmedian(f.width) for f in self.fits])

    @cached_property
    def spread(self) -> Float:
        """Robust standard deviation (2,) of the widths in each direction, px."""
        return np.array([spread(f.width) for f in self.fits])

    @cached_property
    def wires(self) -> Float:
        """Usual width (2,) of the wires in each direction, px."""
        some = np.arange(0, len(self.row), max(1, len(self.row) // _ENOUGH))
        return np.array([np.nanmedian(f.take(some).wires) for f in self.fits])

    @cached_property
    def index(self) -> Index:
        """Numbers (n, 4) of the neighbours right, left, below, above; -1 for none."""
        return neighbours(self.row, self.column)

    @cached_property
    def fit_flags(self) -> Flags:
        """Flags (n,) that the fits set by themselves."""
        flags = np.zeros(len(self.row), np.int64)
        for flag, rule in FIT_RULES:
            flags[rule(self)] |= flag
        return flags

    @cached_property
    def gaps(self) -> Float:
        """Usual widths (n, 2) px of the sound openings nearby between the same wires."""
        return gap_sizes(self.row, self.column, self.fits, self.size, self.fit_flags == 0)

    @cached_property
    def sound(self) -> Bool:
        """Openings (n,) whose fits are believed.

        Beside a displaced wire nothing fits well, but the openings there are what they are.
        """
        displaced = beside_displaced_wire(self.fits, self.gaps, self.index)
        return np.asarray((self.fit_flags == 0) | displaced)

    @cached_property
    def own(self) -> Float:
        """Size (n, 2) px: its own where an opening is sound, that of its gaps where not."""
        widths = np.stack([f.width for f in self.fits], axis=1)
        return np.where(self.sound[:, None], widths, self.gaps)

    @cached_property
    def middle(self) -> Float:
        """Middle (n, 2) px: its own where an opening is sound, else by its row and column.

        Written over `fitted`: of a million openings there is no room for two copies.
        """
        if self.sound.any():
            others = np.flatnonzero(~self.sound)
            self.fitted[others] = expected_places(
                self.row, self.column, self.fitted, self.sound, others
            )
        return self.fitted

    def dark_share(self, half: Float, level: float) -> Float:
        """Share (n,) of dark pixels within `half` (m, 2) px of the examined middles; 0 elsewhere.

        `level` is 0 for a wire's light and 1 for an opening's.
        """
        out = np.zeros(len(self.row), self.fits[0].parameters.dtype)
        which = self.examined
        place = (self.light, self.middle[which], self.vectors[which])
        out[which] = dark_share(*place, half, self.levels.take(which), level)
        return out

    @cached_property
    def inner_dark(self) -> Float:
        """Dark share (n,) of the part of each opening that its blurred sides do not darken."""
        which = self.examined
        narrow = self.size - _NARROW_SPREADS * np.minimum(self.spread, _NARROW_SHARE * self.size)
        bound = np.where(self.sound[which, None], self.size, narrow)
        margin = SIDE_MARGIN_PX + SIDE_MARGIN_BLUR * self.blur
        half = 0.5 * np.minimum(self.own[which], bound) - margin
        return self.dark_share(np.maximum(half, SMALLEST_INNER * self.size), _DARK)

    @cached_property
    def filled(self) -> Float:
        """Covered share (n,) of the openings' area.

        At half light the blurred wires end where they do: darker pixels within are covered.
        """
        half = 0.5 * self.own[self.examined] - _HALF_LIGHT_MARGIN_PX
        return self.dark_share(half, _HALF_LIGHT)

    @cached_property
    def inside(self) -> Float:
        """Light (n,) in the middle of each opening."""
        inside = self.levels.top.copy()
        inside[self.examined] = light_at(self.light, self.middle[self.examined])
        return inside

    @cached_property
    def glaring(self) -> Bool:
        """Openings (n,) brighter than cloth shows them."""
        return glaring(self.inside, self.levels)

    @cached_property
    def beside_glare(self) -> Bool:
        """Neighbours (n, 4) that are brighter than cloth shows them: a bright frame."""
        return np.asarray(self.glaring[self.index] & (self.index >= 0))

    @cached_property
    def neighbourhood(self) -> Neighbourhood:
        """The neighbours of each opening, and where the cloth ends."""
        place = (self.middle, self.vectors, self.light, self.levels)
        return Neighbourhood.of(self.index, *place, self.inside)

    @cached_property
    def wire_damage(self) -> tuple[Bool, Bool]:
        """The wires right of and below each opening (n, 2): missing or broken; else lit.

        Light beside a bright frame is not that of a missing wire.
        """
        torn, lit = torn_wires(
            self.light,
            self.middle,
            self.vectors,
            self.own,
            self.index,
            self.levels,
            self.wires,
            self.doubt,
        )
        missing = torn & ~(self.glaring[:, None] | self.beside_glare[:, ::2])
        return missing, lit & ~missing

    def on_both_sides(self, wires: Bool) -> Bool:
        """The openings (n,) on both sides of some `wires` (n, 2), right of or below openings.

        At the edge of a hole the next place is no opening, but the width to it is none either.
        """
        out = np.zeros(len(wires), np.bool_)
        for axis in (0, 1):
            out[wires[:, axis]] = True
            out[self.index[wires[:, axis], 2 * axis]] = True
        return out


def _in_any(directions: Sequence[Bool]) -> Bool:
    return np.asarray(np.any(directions, axis=0))


FlagRule = Callable[[OpeningSet], Bool]
StateRule = Callable[[OpeningSet, Flags, States], Bool]


def _without_edges(openings: OpeningSet) -> Bool:
    return _in_any([~np.isfinite(f.width) for f in openings.fits])


def _no_usual_width(openings: OpeningSet) -> Bool:
    low, high = WIDTH_RANGE
    parts = [
        (f.width < low * usual) | (f.width > high * usual)
        for f, usual in zip(openings.fits, openings.size, strict=True)
    ]
    return _in_any(parts)


def _poorly_fitted(openings: OpeningSet) -> Bool:
    return _in_any([f.poor for f in openings.fits])


def _narrowed_at_wire(openings: OpeningSet) -> Bool:
    gaps = (openings.column, openings.row)
    return _in_any([narrowed_at_wire(f, gap) for f, gap in zip(openings.fits, gaps, strict=True)])


def _narrower_than_gap(openings: OpeningSet) -> Bool:
    return narrower_than_gap(openings.fits, openings.gaps, openings.index)


def _cut_by_border(openings: OpeningSet) -> Bool:
    which = openings.examined
    size = openings.own[which]
    unsure = 2 * np.maximum(_INFERRED_PX, _INFERRED_SHARE * size)
    size = size - np.where(openings.sound[which, None], 0.0, unsure)
    out = np.zeros(len(openings.row), np.bool_)
    shape = openings.light.shape
    out[which] = cut_by_border(shape, openings.middle[which], openings.vectors[which], size)
    return out


def _partly_dark(openings: OpeningSet) -> Bool:
    return np.asarray(openings.inner_dark > _TOUCHED)


def _mostly_dark(openings: OpeningSet) -> Bool:
    return np.asarray(openings.inner_dark > _FILLED)


def _beside_missing_wire(openings: OpeningSet) -> Bool:
    return openings.on_both_sides(openings.wire_damage[0])


def _beside_lit_wire(openings: OpeningSet) -> Bool:
    return openings.on_both_sides(openings.wire_damage[1])


def _oversize(openings: OpeningSet) -> Bool:
    parts = [
        f.width > usual + _OVERSIZE_SPREADS * scatter + _OVERSIZE_SHARE * usual
        for f, usual, scatter in zip(openings.fits, openings.size, openings.spread, strict=True)
    ]
    return _in_any(parts)


FIT_RULES: tuple[tuple[Flag, FlagRule], ...] = (
    (Flag.NO_EDGE, _without_edges),
    (Flag.MISFIT, _no_usual_width),
    (Flag.MISFIT, _poorly_fitted),
    (Flag.TOUCHED, _narrowed_at_wire),
)
PIXEL_RULES: tuple[tuple[Flag, FlagRule], ...] = (
    (Flag.TOUCHED, _narrower_than_gap),
    (Flag.BORDER, _cut_by_border),
    (Flag.TOUCHED, _partly_dark),
    (Flag.FILLED, _mostly_dark),
    (Flag.WIRE_MISSING, _beside_missing_wire),
    (Flag.MISFIT, _beside_lit_wire),
    (Flag.OVERSIZE, _oversize),
)


def _with(flags: Flag) -> StateRule:
    """Openings with any of these flags."""
    return lambda _openings, flags_set, _state: np.asarray((flags_set & flags) > 0)


def _at_rim(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """At the cloth's rim what looks damaged is cut, not damaged."""
    return np.asarray((state != State.OK) & openings.neighbourhood.rim)


def _last_of_cloth(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """A wire is missing only where cloth lies on both sides of it: a bright frame looks alike."""
    damaged = (state != State.OK) & (state != State.BLOCKED)
    return np.asarray(damaged & openings.neighbourhood.last)


def _at_bright_frame(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    frame = openings.glaring | openings.beside_glare.any(axis=1)
    return np.asarray((state != State.OK) & frame)


STATE_RULES: tuple[tuple[State, StateRule], ...] = (  # a later rule overrides an earlier one
    (State.UNCLEAR, _with(Flag.MISFIT | Flag.NO_EDGE | Flag.TOUCHED)),
    (State.BLOCKED, _with(Flag.FILLED)),
    (State.TORN, _with(Flag.WIRE_MISSING)),
    (State.PARTIAL, _at_rim),
    (State.PARTIAL, _last_of_cloth),
    (State.PARTIAL, _with(Flag.BORDER)),
    (State.PARTIAL, _at_bright_frame),
)


def judge_states(openings: OpeningSet) -> JudgedOpenings:
    """Flags and states of all openings, by the tables of rules."""
    flags = openings.fit_flags.copy()
    for flag, rule in PIXEL_RULES:
        flags[rule(openings)] |= flag
    state = np.full(len(flags), State.OK.value, dtype="U7")
    for name, decide in STATE_RULES:
        state[decide(openings, flags, state)] = name
    return JudgedOpenings(state, flags, openings.filled, openings.middle)
