"""The four neighbours of every opening, and where the cloth ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light

_MOVES = ((0, 1), (0, -1), (1, 0), (-1, 0))  # (row, column) to the right, left, below, above
# How each threshold was checked: see `states`.
#
# Share of the light of an opening (above the wires') by which a place may differ from an opening
# and still be taken for one. A frame little brighter than openings has to differ by more. Free
# from 0.051 to 0.12.
_LIKE_OPENING = 0.06
# Of the pitch: so far inside the picture, cloth that continued would be seen. Free from 0.3 to 1.2.
_RIM_MARGIN = 0.6


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """The four neighbours of n openings: right, left, below, above.

    `index` (n, 4) numbers them, -1 where the lattice has none. `last` (n,) marks openings that
    lack a neighbour whose middle the picture would show, and where nothing shines like one;
    `rim` (n,) those of them where the cloth itself ends: what should follow is dark or far inside
    the picture.
    """

    index: Index
    last: Bool
    rim: Bool

    @classmethod
    def of(
        cls,
        index: Index,
        middle: Float,
        vectors: Float,
        light: Light,
        levels: Levels,
        inside: Float,
    ) -> Neighbourhood:
        """Examine where neighbours are missing.

        `index` as from `neighbours`, `middle` (n, 2) px, lattice `vectors` (n, 2, 2) px, `inside`
        (n,) the light in the middle of each opening.
        """
        half_lit = 0.5 * (levels.floor + levels.top)
        margin = _RIM_MARGIN * float(np.median(np.linalg.norm(vectors, axis=2)))
        last, rim = np.zeros(len(index), np.bool_), np.zeros(len(index), np.bool_)
        for k, (r, c) in enumerate(_MOVES):
            lacking = np.flatnonzero(index[:, k] < 0)
            steps = vectors[lacking]
            place = middle[lacking] + c * steps[:, 0] + r * steps[:, 1]
            within = _inside(place, light.shape, 0)
            lacking, place = lacking[within], place[within]
            there = light_at(light, place)
            usual, span = levels.top[lacking], (levels.top - levels.floor)[lacking]
            dark = there < half_lit[lacking]
            # As bright as an opening, it is an opening that lost its wire: the cloth continues.
            unlike = np.abs(there - usual) > _LIKE_OPENING * span
            last[lacking] |= unlike
            rim[lacking] |= dark | (unlike & _inside(place, light.shape, margin))
        rim = _with_dark_openings(rim, inside > half_lit, index)
        return cls(index, last | rim, rim)


def neighbours(row: Index, column: Index) -> Index:
    """Numbers (n, 4) of the openings right, left, below and above; -1 where there is none."""
    grid = np.full((row.max() + 3, column.max() + 3), -1, np.int32)
    grid[row + 1, column + 1] = np.arange(len(row))
    return np.stack([grid[row + 1 + r, column + 1 + c] for r, c in _MOVES], axis=1)


def glaring(inside: Float, levels: Levels) -> Bool:
    """Places (n,) brighter than any opening: a bright frame, and no cloth."""
    return np.asarray(inside > levels.top + _LIKE_OPENING * (levels.top - levels.floor))


def light_at(light: Light, place: Float) -> Float:
    """Mean light (n,) of the nine pixels at each place (n, 2) px, the border's where outside."""
    column, row = np.rint(place).astype(np.intp).T
    offsets = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    height, width = light.shape
    nine = [
        light[np.clip(row + i, 0, height - 1), np.clip(column + j, 0, width - 1)]
        for i, j in offsets
    ]
    return np.asarray(np.mean(nine, axis=0), np.float64)


def _inside(place: Float, shape: tuple[int, ...], margin: float) -> Bool:
    x, y = place.T
    across = (x > margin) & (x < shape[1] - 1 - margin)
    return np.asarray(across & (y > margin) & (y < shape[0] - 1 - margin))


def _with_dark_openings(rim: Bool, lit: Bool, index: Index) -> Bool:
    """The rim with every dark opening connected to the outside, and the openings beside those."""
    rim = rim.copy()
    beyond = rim & ~lit
    while beyond.any():
        touching = (beyond[index] & (index >= 0)).any(axis=1)
        rim |= touching
        further = touching & ~lit & ~beyond
        if not further.any():
            break
        beyond |= further
    return rim
