"""Openings as their fits alone show them: usual sizes, sound fits, and the rules on them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import Flag
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.matched_filter import WIDTH_RANGE
from sieve_inspect.lattice.places import along_gap

# How each threshold was checked: see `states`.
#
# A change of a width or a wire counts from so many robust standard deviations of such changes,
# which noise alone exceeds once in 500 million (6 and 5), but not below this share of the wire
# (0 and 1), for on noiseless pictures the deviations vanish.
_CLEAR = 6.0
_SHARE_OF_WIRE = 0.02
# Share of an apparent thickness of wire that must be missing from the opening on that side. Matter
# on a wire takes all of it there, less noise. Free from 0.51 to 0.84.
_FROM_OPENING = 0.6
# A width is explained by its gap where it differs by less than this share (free from 0.05 to
# 0.2), …
_USUAL_WITHIN = 0.1
# … or else where the next opening gained what this opening lost, to within this share of the loss
# (free from 0.26 to 0.6), …
_GAIN_WITHIN = 0.3
# … and this share of the opening is left, so that its edges are seen apart. Free from 0.15 to 0.6.
_LEFT_OVER = 0.3


MOVES = ((0, 1), (0, -1), (1, 0), (-1, 0))  # (row, column) to the right, left, below, above


def neighbours(row: Index, column: Index) -> Index:
    """Numbers (n, 4) of the openings right, left, below and above; -1 where there is none."""
    grid = np.full((row.max() + 3, column.max() + 3), -1, np.int32)
    grid[row + 1, column + 1] = np.arange(len(row))
    return np.stack([grid[row + 1 + r, column + 1 + c] for r, c in MOVES], axis=1)


def gap_sizes(
    row: Index, column: Index, fits: Sequence[EdgeFit], size: Float, sound: Bool
) -> Float:
    """Usual widths (n, 2) px of the `sound` openings nearby between the same wires.

    `size` (2,) px is the usual width of all, for gaps without a sound opening nearby.
    """
    near = [along_gap(row, column, f.width, sound, axis) for axis, f in enumerate(fits)]
    return np.stack(
        [np.where(np.isfinite(n), n, s) for n, s in zip(near, size, strict=True)],
        axis=1,
        dtype=fits[0].parameters.dtype,
    )


def beside_displaced_wire(fits: Sequence[EdgeFit], gaps: Float, index: Index) -> Bool:
    """Openings (n,) narrow because a wire is displaced: the next opening is wider by as much.

    `gaps` (n, 2) px are the usual widths there, `index` (n, 4) the neighbours. Both directions
    must be usual or explained so.
    """
    out = np.ones(len(gaps), np.bool_)
    for axis, fit in enumerate(fits):
        lost = gaps[:, axis] - fit.width
        explained = np.abs(lost) < _USUAL_WITHIN * gaps[:, axis]
        for side in (0, 1):
            other = index[:, 2 * axis + side]
            gained = np.where(other >= 0, -lost[other], np.nan)
            wide = fit.width > _LEFT_OVER * gaps[:, axis]
            explained |= wide & (np.abs(lost - gained) < _GAIN_WITHIN * lost)
        out &= explained
    return out


def narrower_than_gap(fits: Sequence[EdgeFit], gaps: Float, index: Index) -> Bool:
    """Openings (n,) narrower than their gap is nearby, while no neighbour is wider instead.

    A displaced wire takes from one opening what it gives to the next; matter lying against a
    wire only takes. Arguments as of `beside_displaced_wire`.
    """
    out = np.zeros(len(gaps), np.bool_)
    for axis, fit in enumerate(fits):
        lost = gaps[:, axis] - fit.width
        rest = lost.copy()
        for other in index[:, 2 * axis : 2 * axis + 2].T:
            rest -= np.where(other >= 0, np.fmax(-lost[other], 0), 0)
        out |= rest > _clear_change(lost, fit)
    return out


def narrowed_at_wire(fit: EdgeFit, gap: Index) -> Bool:
    """Openings (n,) made narrower in one direction by matter that lies against a wire.

    `gap` (n,) numbers the pair of wires an opening lies between. Wire is drawn to one diameter:
    where it seems thicker than along its own length elsewhere, and the opening on this side is
    narrower by as much, the thickness is not wire. A displaced wire keeps its diameter and does
    not count.
    """
    narrow = _median_of(fit.width, gap) - fit.width
    excess = np.stack([side - _median_of(side, gap) for side in fit.wires.T], axis=1)
    thick = excess > _clear_change(excess, fit)
    return np.asarray((thick & (narrow[:, None] > _FROM_OPENING * excess)).any(axis=1))


def _clear_change(changes: Float, fit: EdgeFit) -> float:
    """From what size on a change stands out, px."""
    return max(
        _CLEAR * 1.4826 * _deviation(changes), _SHARE_OF_WIRE * float(np.nanmedian(fit.wires))
    )


def _deviation(value: Float) -> float:
    """Median absolute deviation; 1.4826 of it are a standard deviation of normal values."""
    return float(np.nanmedian(np.abs(value - np.nanmedian(value))))


def _median_of(value: Float, group: Index) -> Float:
    """The median (n,) of the group that each value belongs to."""
    order = np.argsort(group, kind="stable")
    count = np.bincount(group)
    place = np.arange(len(group)) - np.repeat(np.cumsum(count) - count, count)
    table = np.full((len(count), count.max()), np.nan, value.dtype)
    table[group[order], place] = value[order]
    table.sort(axis=1)  # NaN last
    known = np.isfinite(table).sum(axis=1)
    middle = table[np.arange(len(table)), np.maximum(known - 1, 0) // 2]
    return np.asarray(middle[group])


Flags = NDArray[np.int64]

_ENOUGH = 50_000  # openings from which the usual wire is taken


@dataclass(frozen=True, eq=False)
class FittedOpenings:
    """n openings with their fits in both directions; `row`, `column` (n,) index the lattice."""

    row: Index
    column: Index
    fits: Sequence[EdgeFit]

    @cached_property
    def size(self) -> Float:
        """Usual width (2,) in each direction, px."""
        return np.array([np.nanmedian(f.width) for f in self.fits])

    @cached_property
    def spread(self) -> Float:
        """Robust standard deviation (2,) of the widths in each direction, px."""
        return np.array([1.4826 * _deviation(f.width) for f in self.fits])

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


def in_any(directions: Sequence[Bool]) -> Bool:
    """Openings (n,) marked in any of the directions."""
    return np.asarray(np.any(directions, axis=0))


def _no_usual_width(openings: FittedOpenings) -> Bool:
    low, high = WIDTH_RANGE
    parts = [
        (f.width < low * usual) | (f.width > high * usual)
        for f, usual in zip(openings.fits, openings.size, strict=True)
    ]
    return in_any(parts)


def _narrowed_at_wire(openings: FittedOpenings) -> Bool:
    gaps = (openings.column, openings.row)
    return in_any([narrowed_at_wire(f, gap) for f, gap in zip(openings.fits, gaps, strict=True)])


FitRule = Callable[[FittedOpenings], Bool]

FIT_RULES: tuple[tuple[Flag, FitRule], ...] = (
    (Flag.NO_EDGE, lambda openings: in_any([~np.isfinite(f.width) for f in openings.fits])),
    (Flag.MISFIT, _no_usual_width),
    (Flag.MISFIT, lambda openings: in_any([f.poor for f in openings.fits])),
    (Flag.TOUCHED, _narrowed_at_wire),
)
