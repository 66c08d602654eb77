"""Wires that are missing or broken: light all the way from one opening to the next.

Between two openings lies a wire. At every station along it, the darkest place on the way across
is the wire, wherever it was pushed to; where at some station even that is lit, there is a hole.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.levels import Levels

__all__ = ["torn_wires"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_STATIONS = np.linspace(-0.4, 0.4, 9)  # shares of the opening, along the wire
_WAY = (0.2, 0.8)  # of the way from middle to middle
_DARKEST_USUAL = 0.8  # of an opening's light; a wire that lets through more shows no hole


def torn_wires(
    light: NDArray[np.float32],
    middle: Float,
    vectors: Float,
    own: Float,
    index: NDArray[np.intp],
    levels: Levels,
    wires: Float,
    doubt: Bool | None = None,
) -> Bool:
    """Whether the wire right of, and below, every opening (n, 2) is missing or broken.

    `middle` (n, 2) px, `own` (n, 2) widths, `index` (n, 4) the neighbours (right, left, below,
    above), `wires` (2,) typical wire widths. Nothing is said where there is no neighbour, nor
    where one of the two openings has no crossing wire to end at: that is no opening. Wires
    beside no opening in `doubt` (n,) are taken to be whole.
    """
    darkest = []
    for axis in (0, 1):
        after = _asked(index[:, 2 * axis], doubt)
        part = _darkest(light, middle, vectors, own, after, levels, wires[axis], axis)
        darkest.append(part)
    limit = []
    for height in darkest:
        known = height[np.isfinite(height[:, 0])]
        usual = np.median(known, axis=0) if len(known) else np.zeros(len(_STATIONS))
        limit.append(0.5 * (1 + np.clip(usual, 0, _DARKEST_USUAL)))
    lit = [h > most for h, most in zip(darkest, limit, strict=True)]
    out = np.zeros((len(middle), 2), np.bool_)
    for axis in (0, 1):
        closed = ~lit[1 - axis].all(axis=1) & np.isfinite(darkest[1 - axis][:, 0])
        before = index[:, 3 - 2 * axis]  # the wire before is the one after the opening before
        closed |= closed[before] & (before >= 0)
        after = index[:, 2 * axis]
        out[:, axis] = lit[axis].any(axis=1) & closed & closed[after] & (after >= 0)
    return out


def _asked(after: NDArray[np.intp], doubt: Bool | None) -> NDArray[np.intp]:
    """The next opening (n,) where the wire between is looked at, -1 elsewhere.

    Besides those in doubt some two thousand others, which tell what is usual.
    """
    if doubt is None:
        return after
    some = np.arange(len(after)) % max(1, len(after) // 2000) == 0
    return np.where(doubt | doubt[after] | some, after, -1)


def _darkest(
    light: NDArray[np.float32],
    middle: Float,
    vectors: Float,
    own: Float,
    after: NDArray[np.intp],
    levels: Levels,
    wire: float,
    axis: int,
) -> Float:
    """Darkest light (n, stations) between openings and the next ones, 0 as wires, 1 as openings.

    NaN where there is no next one; what lies outside the picture counts as dark.
    """
    out = np.full((len(middle), len(_STATIONS)), np.nan)
    pairs = np.flatnonzero(after >= 0)
    if not len(pairs):
        return out
    way = middle[after[pairs]] - middle[pairs]
    length = float(np.median(np.hypot(*way.T)))
    steps = int(np.clip(np.ceil(0.6 * length / max(0.25 * wire, 0.7)), 7, 41))
    along = vectors[pairs, 1 - axis]
    along = along / np.hypot(*along.T)[:, None] * own[pairs, 1 - axis, None]
    floor = levels.floor[pairs]
    span = (levels.top - levels.floor)[pairs]
    height, width = light.shape
    lowest = np.full((len(pairs), len(_STATIONS)), np.inf)
    for share in np.linspace(*_WAY, steps):
        base = middle[pairs] + share * way
        for k, station in enumerate(_STATIONS):
            x, y = np.rint(base + station * along).astype(np.intp).T
            inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
            value = light[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
            relative = np.where(inside, (value - floor) / span, 0.0)
            np.minimum(lowest[:, k], relative, out=lowest[:, k])
    out[pairs] = lowest
    return out
