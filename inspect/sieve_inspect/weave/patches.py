"""Patches of cloth that hang together across wires missing right across.

Such a wire leaves openings of twice the height in a whole row, and no link of one pitch leads over
them. The patches on both sides are of one cloth if the rows and columns of one, carried on over
the gap, meet those of the other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["joined"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]

_ACROSS = 4.4  # pitches that patches may be apart: two wires missing side by side
_NEAREST = 12  # openings on the other side that each is compared with
_FEWEST = 5  # openings along the gap that must agree
_OFF = 0.2  # share of the pitch by which they may miss a whole number of rows
_MOST = 0.7  # share of the comparisons that must not
_TWICE = 0.02  # share of a patch's openings that may lie where another has one


def joined(peaks: Float, index: Index, patches: Sequence[Bool]) -> tuple[Index, Bool, float]:
    """Join to the first of the `patches` (n,) of `peaks` (n, 2) px those that carry it on.

    `index` (n, 2) are row and column, each patch counted from its own origin. Returns the index,
    who belongs to the first patch now, and the size of the largest other one as a share of it.
    """
    member, others = patches[0].copy(), list(patches[1:])
    if not others:
        return index, member, 0.0
    index = index.copy()
    met = True
    while met:
        met = False
        for patch in list(others):
            offset = _offset(peaks, index, member, patch)
            if offset is not None:
                index[patch] += offset
                member |= patch
                others = [o for o in others if o is not patch]
                met = True
    left = max((int(o.sum()) for o in others), default=0)
    return index, member, left / int(member.sum())


def _offset(peaks: Float, index: Index, member: Bool, patch: Bool) -> Index | None:
    """What to add to the patch's rows and columns to go on with those of `member`, or None."""
    from scipy.spatial import cKDTree

    here, there = np.flatnonzero(member), np.flatnonzero(patch)
    affine = np.column_stack([index[here], np.ones(len(here))])
    steps = np.linalg.lstsq(affine, peaks[here], rcond=None)[0][:2]  # by row, by column
    if abs(np.linalg.det(steps)) < 1e-9:
        return None
    reach = _ACROSS * float(np.hypot(*steps.T).max())
    distance, near = cKDTree(peaks[here]).query(
        peaks[there], _NEAREST, distance_upper_bound=reach, workers=2
    )
    which, other = np.nonzero(np.isfinite(distance))
    if len(np.unique(which)) < _FEWEST:
        return None
    a, b = here[np.asarray(near)[which, other]], there[which]
    wanted = index[a] + (peaks[b] - peaks[a]) @ np.linalg.inv(steps) - index[b]
    offset = np.rint(np.median(wanted, axis=0)).astype(np.intp)
    if (np.abs(wanted - offset).max(axis=1) < _OFF).mean() < _MOST:
        return None
    taken = {tuple(i) for i in index[here].tolist()}
    twice = sum(tuple(i) in taken for i in (index[there] + offset).tolist())
    return offset if twice <= _TWICE * len(there) else None
