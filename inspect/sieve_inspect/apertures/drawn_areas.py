"""Areas that a program drew into a picture: corners of a turned picture, labels, borders.

A scanned surface shows noise; an area a pitch wide of one exact number was not scanned. Where the
openings or the wires are without noise themselves, or clipped, such an area proves nothing.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from sieve_inspect.apertures.opening_set import OpeningSet
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.image.light import Light

_PER_PITCH = 4  # places a pitch at which pixels are compared …
_BLOCK = 5  # … in blocks of so many by so many places, a pitch wide, …
_REACH = 10  # … up to so many places from the opening: blocks begin at most 1.5 pitches away
_IN_PICTURE = 5  # of a block's 25 places, those that the picture has to show
_USUAL_FROM = 400  # sound openings whose noise is looked at
# Share of the sound openings whose nine middle pixels, and of the wires of which five pixels in a
# line along the wire, show one number: from there on even areas may be cloth. Noise of 0.6 steps of
# the stored numbers makes 0.02 and 0.2; then 45 pixels of one number are no chance.
_NOISELESS_OPENINGS = 0.02
_NOISELESS_WIRES = 0.2
_AT_ONCE = 4000  # openings examined together


def beside_drawn_area(openings: OpeningSet, which: Index) -> Bool:
    """Which of some openings (m,) lie within 1.5 pitches of an area of one exact number."""
    out = np.zeros(len(which), np.bool_)
    bright, dark = _has_noise(openings) if len(which) else (False, False)
    if not (bright or dark):
        return out
    half_lit = 0.5 * (openings.levels.floor + openings.levels.top)
    for first in range(0, len(which), _AT_ONCE):
        some = np.arange(first, min(first + _AT_ONCE, len(which)))
        for reach in (0, 1):  # a pixel at each place; where these agree, those around them too
            highest, even = _blocks(openings, which[some], reach)
            lit = highest > half_lit[which[some], None, None]
            some = some[(even & np.where(lit, bright, dark)).any(axis=(1, 2))]
        out[some] = True
    return out


def _blocks(openings: OpeningSet, which: Index, reach: int) -> tuple[Float, Bool]:
    """The highest light (m, rows, columns) of blocks around openings, and which are even.

    At each place the pixels up to `reach` away in both directions count.
    """
    step = float(np.median(np.linalg.norm(openings.vectors, axis=2))) / _PER_PITCH
    line = np.rint(step * np.arange(-_REACH, _REACH + 1)).astype(np.intp)
    height, width = openings.light.shape
    x, y = np.rint(openings.middle[which]).astype(np.intp).T[:, :, None] + line
    known = ((y >= 0) & (y < height))[:, :, None] & ((x >= 0) & (x < width))[:, None, :]
    value = np.stack(
        [
            openings.light[
                np.clip(y + down, 0, height - 1)[:, :, None],
                np.clip(x + right, 0, width - 1)[:, None, :],
            ]
            for down, right in product(range(-reach, reach + 1), repeat=2)
        ]
    )
    highest = _over_blocks(np.where(known, value.max(axis=0), -np.inf), np.maximum)
    lowest = _over_blocks(np.where(known, value.min(axis=0), np.inf), np.minimum)
    shown = _over_blocks(known.astype(np.int8), np.add)
    return highest, (highest == lowest) & (shown >= _IN_PICTURE)


def _over_blocks(value: Float, of: np.ufunc) -> Float:
    """The maximum, minimum or sum over all blocks of places (n, rows, columns)."""
    for axis in (1, 2):
        count = value.shape[axis] - _BLOCK + 1
        parts = [np.take(value, range(k, k + count), axis=axis) for k in range(_BLOCK)]
        value = of.reduce(parts)
    return value


def _has_noise(openings: OpeningSet) -> tuple[bool, bool]:
    """Whether openings, and whether wires, show noise: else an even area may be cloth."""
    some = np.flatnonzero(openings.sound & (openings.index >= 0).all(axis=1))
    some = some[:: max(1, len(some) // _USUAL_FROM)]
    if not len(some):
        return False, False
    steps = np.array(list(product((-1, 0, 1), repeat=2)))
    middle = openings.middle[some]
    openings_even = _even(openings.light, middle[:, None] + steps)
    wires_even = []
    for axis in (0, 1):
        along = openings.vectors[some, 1 - axis]
        along = along / np.linalg.norm(along, axis=1)[:, None]
        wire = 0.5 * (middle + openings.middle[openings.index[some, 2 * axis]])
        line = np.arange(-2, 3)[:, None] * along[:, None]
        wires_even.append(_even(openings.light, wire[:, None] + line).mean())
    bright = bool(openings_even.mean() < _NOISELESS_OPENINGS)
    return bright, bool(np.mean(wires_even) < _NOISELESS_WIRES)


def _even(light: Light, place: Float) -> Bool:
    """Whether the pixels at places (n, m, 2) px show one number, (n,)."""
    column, row = np.rint(place).astype(np.intp).transpose(2, 0, 1)
    height, width = light.shape
    value = light[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    return np.asarray((value == value[:, :1]).all(axis=1))
