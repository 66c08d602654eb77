"""Wires that are missing or broken: light all the way from an opening to the next.

Between two openings lies a wire. At every station along it, the darkest place on the way across is
the wire, however far it is displaced; a station where even that place is lit is a hole.
"""

from __future__ import annotations

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light

_STATIONS = np.linspace(-0.4, 0.4, 9)  # shares of the opening, along the wire
_WAY = (0.2, 0.8)  # of the way from middle to middle: there the wire is sought, …
_SPAN = 0.6  # … over this share of the way, in …
_STEP_OF_WIRE = 0.25  # … steps of this share of the wire, at least …
_STEP_PX = 0.7  # … px, and …
_STEPS = (7, 41)  # … so many of them
_LIT = 0.5  # of the way from the usual light of a wire's middle to an opening's
_USUAL_FROM = 2000  # wires from which that usual light is taken
_AT_ONCE = 20_000  # stations' lines evaluated together
_DARKEST_USUAL = 0.8  # of an opening's light: through a wire lit more than this no hole shows


def torn_wires(
    light: Light,
    middle: Float,
    vectors: Float,
    own: Float,
    index: Index,
    levels: Levels,
    wires: Float,
    doubt: Bool | None = None,
) -> tuple[Bool, Bool]:
    """Missing or broken wires (n, 2) right of and below every opening, and lit wires (n, 2).

    A wire is lit where light shows in its place, even if no opening lies beyond. `middle` (n, 2)
    px, `vectors` (n, 2, 2) px, `own` (n, 2) px widths, `index` (n, 4) the neighbours (right,
    left, below, above), `wires` (2,) px typical wire widths. Both are false where there is no
    neighbour; a wire is not missing where either of its openings has no crossing wire to end at,
    for that is no opening. Wires with no opening in `doubt` (n,) beside them are taken to be
    undamaged.
    """
    count = len(middle)
    anywhere, all_along, examined = (np.zeros((count, 2), np.bool_) for _ in range(3))
    for axis in (0, 1):
        pairs = _examined_pairs(index[:, 2 * axis], doubt)
        if not len(pairs):
            continue
        after = index[pairs, 2 * axis]
        height = _darkest(light, middle, vectors, own, pairs, after, levels, wires[axis], axis)
        lit = height > _LIT * (1 + np.clip(np.median(height, axis=0), 0, _DARKEST_USUAL))
        anywhere[pairs, axis], all_along[pairs, axis] = lit.any(axis=1), lit.all(axis=1)
        examined[pairs, axis] = True
    out = np.zeros((count, 2), np.bool_)
    for axis in (0, 1):
        closed = ~all_along[:, 1 - axis] & examined[:, 1 - axis]
        before = index[:, 3 - 2 * axis]  # whose next wire is the wire before
        closed |= closed[before] & (before >= 0)
        after = index[:, 2 * axis]
        out[:, axis] = anywhere[:, axis] & closed & closed[after] & (after >= 0)
    return out, anywhere


def _examined_pairs(after: Index, doubt: Bool | None) -> Index:
    """Numbers (m,) of the openings whose next wire is examined: those with an opening `after`.

    Besides those in doubt some two thousand others, which show what is usual.
    """
    wanted = after >= 0
    if doubt is not None:
        some = np.arange(len(after)) % max(1, len(after) // _USUAL_FROM) == 0
        wanted &= doubt | doubt[after] | some
    return np.flatnonzero(wanted)


def _darkest(
    light: Light,
    middle: Float,
    vectors: Float,
    own: Float,
    pairs: Index,
    after: Index,
    levels: Levels,
    wire: float,
    axis: int,
) -> Float:
    """Darkest light (m, stations) between openings `pairs` (m,) and the next openings, `after`.

    0 is a wire's, 1 an opening's light; places outside the picture count as dark.
    """
    way = middle[after] - middle[pairs]
    length = float(np.median(np.hypot(*way.T)))
    step = max(_STEP_OF_WIRE * wire, _STEP_PX)
    steps = int(np.clip(np.ceil(_SPAN * length / step), *_STEPS))
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
