"""Widths compared with those nearby: what a displaced wire explains, and what lies on a wire."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.fit import EdgeFit
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


def spread(value: Float) -> float:
    """Median absolute deviation, as a standard deviation of normal values."""
    return 1.4826 * _deviation(value)


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
