"""Wires that are missing or broken: light all the way from one opening to the next.

Between two openings lies a wire. At every station along it, the darkest place on the way across
is the wire, wherever it was pushed to; where at some station even that is lit, there is a hole.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light

__all__ = ["torn_wires"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_STATIONS = np.linspace(-0.4, 0.4, 9)  # shares of the opening, along the wire
_WAY = (0.2, 0.8)  # of the way from middle to middle
_AT_ONCE = 20_000  # stations' lines looked up at a time
_DARKEST_USUAL = 0.8  # of an opening's light; a wire that lets through more shows no hole


def torn_wires(
    light: Light,
    middle: Float,
    vectors: Float,
    own: Float,
    index: NDArray[np.intp],
    levels: Levels,
    wires: Float,
    doubt: Bool | None = None,
) -> tuple[Bool, Bool]:
    """Whether the wire right of, and below, every opening (n, 2) is missing or broken, and whether
    light is seen where it should be, though what lies beyond may be no opening.

    `middle` (n, 2) px, `own` (n, 2) widths, `index` (n, 4) the neighbours (right, left, below,
    above), `wires` (2,) typical wire widths. Nothing is said where there is no neighbour, nor
    where one of the two openings has no crossing wire to end at: that is no opening. Wires
    beside no opening in `doubt` (n,) are taken to be whole.
    """
    count = len(middle)
    anywhere, all_along, looked = (np.zeros((count, 2), np.bool_) for _ in range(3))
    for axis in (0, 1):
        pairs = _asked(index[:, 2 * axis], doubt)
        if not len(pairs):
            continue
        after = index[pairs, 2 * axis]
        height = _darkest(light, middle, vectors, own, pairs, after, levels, wires[axis], axis)
        lit = height > 0.5 * (1 + np.clip(np.median(height, axis=0), 0, _DARKEST_USUAL))
        anywhere[pairs, axis], all_along[pairs, axis] = lit.any(axis=1), lit.all(axis=1)
        looked[pairs, axis] = True
    out = np.zeros((count, 2), np.bool_)
    for axis in (0, 1):
        closed = ~all_along[:, 1 - axis] & looked[:, 1 - axis]
        before = index[:, 3 - 2 * axis]  # the wire before is the one after the opening before
        closed |= closed[before] & (before >= 0)
        after = index[:, 2 * axis]
        out[:, axis] = anywhere[:, axis] & closed & closed[after] & (after >= 0)
    return out, anywhere


def _asked(after: NDArray[np.intp], doubt: Bool | None) -> NDArray[np.intp]:
    """The openings after which the wire is looked at: it lies before another one, `after` (n,).

    Besides those in doubt some two thousand others, which tell what is usual.
    """
    wanted = after >= 0
    if doubt is not None:
        some = np.arange(len(after)) % max(1, len(after) // 2000) == 0
        wanted &= doubt | doubt[after] | some
    return np.flatnonzero(wanted)


def _darkest(
    light: Light,
    middle: Float,
    vectors: Float,
    own: Float,
    pairs: NDArray[np.intp],
    after: NDArray[np.intp],
    levels: Levels,
    wire: float,
    axis: int,
) -> Float:
    """Darkest light (m, stations) between `pairs` (m,) of openings and the next ones, `after`.

    0 is a wire's, 1 an opening's light; what lies outside the picture counts as dark.
    """
    way = middle[after] - middle[pairs]
    length = float(np.median(np.hypot(*way.T)))
    steps = int(np.clip(np.ceil(0.6 * length / max(0.25 * wire, 0.7)), 7, 41))
    along = vectors[pairs, 1 - axis]
    along = along / np.hypot(*along.T)[:, None] * own[pairs, 1 - axis, None]
    floor = levels.floor[pairs]
    span = (levels.top - levels.floor)[pairs]
    height, width = light.shape
    shares = np.linspace(*_WAY, steps)[:, None, None]
    lowest = np.empty((len(pairs), len(_STATIONS)))
    for some in np.array_split(np.arange(len(pairs)), max(1, len(pairs) * steps // _AT_ONCE)):
        base = middle[pairs[some], None, None] + shares * way[some, None, None]
        point = base + _STATIONS[:, None] * along[some, None, None]
        x, y = np.rint(point).astype(np.intp).transpose(3, 0, 1, 2)
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        value = light[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
        value = (value - floor[some, None, None]) / span[some, None, None]
        lowest[some] = np.where(inside, value, 0.0).min(axis=1)
    return lowest
