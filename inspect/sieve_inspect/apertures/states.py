"""Sound, blocked, torn, cut and unclear openings: rules that set flags, and states from flags.

Every rule is a function of all openings that marks (n,) of them; the tables `fit_rules.FIT_RULES`,
`PIXEL_RULES` and `STATE_RULES` give their order. Rules on the fits come first, for they decide
which openings are sound. Sound neighbours then show where an opening that does not fit lies and
how large it is, and the rules on pixels examine it there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.drawn_areas import beside_drawn_area
from sieve_inspect.apertures.fit_rules import in_any, narrower_than_gap
from sieve_inspect.apertures.flags import Flag, State
from sieve_inspect.apertures.frame_cuts import cut_by_dark_frame
from sieve_inspect.apertures.opening_set import OpeningSet
from sieve_inspect.arrays import Bool

Flags = NDArray[np.int64]
States = NDArray[np.str_]

# Thresholds. "Free from a to b": within this range no state changed on nineteen drawn and scanned
# pictures (16,539 openings; damage, blur, rotation, JPEG, uneven focus, light from above). "d and
# u": so many states changed with the threshold 15 % lower and 15 % higher.
#
# Dark share of the inner part from which something lies in an opening and its widths are not
# believed. Free from 0.01 to 0.04; of an opening of 10 px it is one pixel.
_TOUCHED = 0.02
# Dark share of the inner part from which an opening is blocked. 1 and 0.
_FILLED = 0.12
# A side placed by the neighbours may be off by so many px (1 and 0), or in large openings by this
# share of the size (free from 0.008 to 0.017): it counts as cut only further outside.
_INFERRED_PX = 0.3
_INFERRED_SHARE = 0.015
# The same for the ring, beside which there are no neighbours on the other side: it counts as cut.
_AT_RING_PX = 1.0
_AT_RING_SHARE = 0.04
_INSIDE = 0.45  # px a corner may lie beyond the outermost pixel centres; its pixel ends at 0.5
# An opening is oversize from so many robust standard deviations and this share above the usual
# width: at a spread of 3 % these are 29 %. It sets a flag and no state.
_OVERSIZE_SPREADS = 8
_OVERSIZE_SHARE = 0.05


FlagRule = Callable[[OpeningSet], Bool]
StateRule = Callable[[OpeningSet, Flags, States], Bool]


def _cut_by_border(openings: OpeningSet) -> Bool:
    """Openings of which a corner lies outside the picture."""
    which = openings.examined
    unsure = 2 * np.maximum(_INFERRED_PX, _INFERRED_SHARE * openings.own[which])
    corners = openings.corners(which, -np.where(openings.sound[which, None], 0.0, unsure))
    limit = np.array(openings.light.shape[::-1]) - 1 + _INSIDE
    cut = np.zeros(len(openings.row), np.bool_)
    cut[which] = ((corners < -_INSIDE) | (corners > limit)).any(axis=(0, 2))
    return cut


def _cut_by_ring(openings: OpeningSet) -> Bool:
    """Openings of which a corner lies beyond the ring, or may, where neighbours place them."""
    unsure = 2 * np.maximum(_AT_RING_PX, _AT_RING_SHARE * openings.own)
    return openings.reaches_ring(np.where(openings.sound[:, None], 0.0, unsure))


def _oversize(openings: OpeningSet) -> Bool:
    parts = [
        f.width > usual + _OVERSIZE_SPREADS * scatter + _OVERSIZE_SHARE * usual
        for f, usual, scatter in zip(openings.fits, openings.size, openings.spread, strict=True)
    ]
    return in_any(parts)


PIXEL_RULES: tuple[tuple[Flag, FlagRule], ...] = (
    (
        Flag.TOUCHED,
        lambda openings: narrower_than_gap(openings.fits, openings.gaps, openings.index),
    ),
    (Flag.BORDER, _cut_by_border),
    (Flag.FRAME, _cut_by_ring),
    (Flag.TOUCHED, lambda openings: np.asarray(openings.inner_dark > _TOUCHED)),
    (Flag.FILLED, lambda openings: np.asarray(openings.inner_dark > _FILLED)),
    (Flag.WIRE_MISSING, lambda openings: openings.on_both_sides(openings.wire_damage[0])),
    (Flag.MISFIT, lambda openings: openings.on_both_sides(openings.wire_damage[1])),
    (Flag.OVERSIZE, _oversize),
)


def _with(flags: Flag) -> StateRule:
    """Openings with any of these flags."""
    return lambda _openings, flags_set, _state: np.asarray((flags_set & flags) > 0)


def _at_rim(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """At the cloth's rim what appears damaged is cut, not damaged."""
    return np.asarray((state != State.OK) & openings.cloth_end[1])


def _last_of_cloth(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """A wire is missing only where cloth lies on both sides of it: a bright frame appears alike."""
    damaged = (state != State.OK) & (state != State.BLOCKED)
    return np.asarray(damaged & openings.cloth_end[0])


def _beside_ring(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """Openings whose wire the ring hides in part, so that its edge does not fit."""
    hidden = openings.reaches_ring(2 * (openings.wires + openings.ring_margin))
    return np.asarray((state == State.UNCLEAR) & hidden)


def _at_bright_frame(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    frame = openings.glaring | openings.beside_glare.any(axis=1)
    return np.asarray((state != State.OK) & frame)


def _near_end(openings: OpeningSet) -> Bool:
    """The last openings (n,) of the cloth, known by a neighbour that is lacking, and the next."""
    lacking = openings.index < 0
    end = np.asarray(lacking.any(axis=1))
    return np.asarray(end | (end[openings.index] & ~lacking).any(axis=1))


def _beside_drawn_area(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """Damage at the cloth's end beside an area that a program drew: it is not the cloth's.

    A hole within the cloth may be overexposed to one number, so it stays one.
    """
    damaged = np.isin(state, (State.BLOCKED.value, State.TORN.value))
    which = np.flatnonzero(damaged & _near_end(openings))
    beside = np.zeros(len(state), np.bool_)
    beside[which[beside_drawn_area(openings, which)]] = True
    return beside


def _at_dark_frame(openings: OpeningSet, _flags: Flags, state: States) -> Bool:
    """Within the cloth a narrow opening beside a blocked one may be what it is."""
    cut = cut_by_dark_frame(openings)
    return np.asarray((state == State.OK) & cut & _near_end(openings))


STATE_RULES: tuple[tuple[State, StateRule], ...] = (  # a later rule overrides an earlier one
    (State.UNCLEAR, _with(Flag.MISFIT | Flag.NO_EDGE | Flag.TOUCHED)),
    (State.BLOCKED, _with(Flag.FILLED)),
    (State.TORN, _with(Flag.WIRE_MISSING)),
    (State.PARTIAL, _at_rim),
    (State.PARTIAL, _last_of_cloth),
    (State.PARTIAL, _beside_ring),
    (State.PARTIAL, _with(Flag.BORDER | Flag.FRAME)),
    (State.PARTIAL, _at_bright_frame),
    (State.PARTIAL, _beside_drawn_area),
    (State.PARTIAL, _at_dark_frame),
)


def judge_states(openings: OpeningSet) -> tuple[States, Flags]:
    """States and flags (n,) of all openings, by the tables of rules."""
    flags = openings.fit_flags.copy()
    for flag, rule in PIXEL_RULES:
        flags[rule(openings)] |= flag
    state = np.full(len(flags), State.OK.value, dtype="U7")
    for name, decide in STATE_RULES:
        state[decide(openings, flags, state)] = name
    return state, flags
