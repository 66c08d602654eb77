"""Openings cut by a dark frame whose edge runs along the wires for a few openings.

Such an edge fits as well as a wire's, but beyond it no light follows. The opening is narrow, too.
"""

from __future__ import annotations

import numpy as np

from sieve_inspect.apertures.opening_set import OpeningSet
from sieve_inspect.arrays import Bool, Index
from sieve_inspect.lattice.places import along_gap

# An opening is narrow from so many robust standard deviations of the widths and this share.
_NARROW_SPREADS = 3.0
_NARROW_SHARE = 0.02
_BEYOND_WIRE = (1.3, 0.5)  # from so many wires beyond an opening to a wire and so much opening …
_STATIONS = (-0.25, 0.0, 0.25)  # … at these shares of the opening along the wire, …
_STEPS = 5  # … at so many places it is dark beside a frame
_COMPARED = 5  # openings to both sides between the same wires whose width excuses a narrow one
_DRAWN_IN = 2  # openings to both sides of a cut one that the same edge may cut


def cut_by_dark_frame(openings: OpeningSet) -> Bool:
    """Openings (n,) cut by a dark frame, and those beside them that it may cut by less.

    A cut opening is far narrower than usual, and beyond its wire it is dark for longer than a wire
    is wide. Openings between the same wires that are as narrow without that dark excuse it. Those
    next to a cut opening between the same wires count too where that dark lies beside them.
    """
    out = np.zeros(len(openings.row), np.bool_)
    for axis, fit in enumerate(openings.fits):
        size, spread = openings.size[axis], openings.spread[axis]
        limit = max(_NARROW_SPREADS * spread, _NARROW_SHARE * size)
        narrow = np.flatnonzero(openings.sound & (fit.width < size - limit))
        narrow = narrow[_dark_beyond(openings, narrow, axis)]
        line = (openings.row, openings.column) if axis else (openings.column, openings.row)
        beside = np.flatnonzero(openings.sound & _near(*line, narrow, _COMPARED))
        dark = _dark_beyond(openings, beside, axis)
        others = np.zeros(len(out), np.bool_)
        others[beside[~dark]] = True
        usual = along_gap(openings.row, openings.column, fit.width, others, axis, narrow)
        cut = narrow[~(fit.width[narrow] > usual - limit)]
        out[beside[dark & _near(*line, cut, _DRAWN_IN)[beside]]] = True
    return out


def _near(gap: Index, place: Index, which: Index, reach: int) -> Bool:
    """Openings (n,) in the same gap as some others, at most `reach` places from them."""
    marked = np.zeros((gap.max() + 1, place.max() + 1 + 2 * reach), np.bool_)
    for step in range(2 * reach + 1):
        marked[gap[which], place[which] + step] = True
    return np.asarray(marked[gap, place + reach])


def _dark_beyond(openings: OpeningSet, which: Index, axis: int) -> Bool:
    """Whether some openings (m,) have no light beyond the wire on one side of a direction."""
    unit = openings.vectors[which] / np.linalg.norm(openings.vectors[which], axis=2)[..., None]
    width, wire = openings.own[which, axis], openings.wires[axis]
    ways = np.linspace(_BEYOND_WIRE[0] * wire, wire + _BEYOND_WIRE[1] * openings.size[axis], _STEPS)
    aside = np.array(_STATIONS)[:, None] * openings.own[which, 1 - axis][:, None, None]
    half_lit = 0.5 * (openings.levels.floor + openings.levels.top)[which]
    height, across = openings.light.shape
    out = np.zeros(len(which), np.bool_)
    for sign in (-1, 1):
        away = sign * (0.5 * width[:, None] + ways)
        place = openings.middle[which][:, None, None] + (
            away[:, None, :, None] * unit[:, axis][:, None, None]
            + aside[..., None] * unit[:, 1 - axis][:, None, None]
        )
        column, row = np.rint(place).astype(np.intp).transpose(3, 0, 1, 2)
        inside = (column >= 0) & (column < across) & (row >= 0) & (row < height)
        value = openings.light[np.clip(row, 0, height - 1), np.clip(column, 0, across - 1)]
        out |= (inside & (value < half_lit[:, None, None])).all(axis=(1, 2))
    return out
