"""Where one grid lies on the other: correlation of the residual maps over every shift and turn.

Masked normalised correlation by FFT, r = Σ a b / √(Σ a² Σ b²) over the openings known in both
(Padfield, IEEE Trans. Image Process. 21 (2012) 2706), for x and y apart. A place is as good as the
worse of both directions says, z = artanh(r) √(m − 3) with m the wires in common: openings along
one wire prove little more than one of them.

Where both grids are large, tiles of one are sought in the other: one that lies in undamaged cloth
is enough.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.identity.cloth_map import TURNS, Turn
from sieve_inspect.identity.fingerprint import Fingerprint

FEWEST = 24  # common openings from which a place is considered at all
_PLACES = 4  # best places of each turn that are considered further
_EXAMINED = 10  # places examined at most: one that proves nothing costs a millisecond
_LARGE = 500  # rows or columns of the smaller grid from which tiles are sought
_TILE = 144  # rows and columns of a tile
_TILES = ((0.5, 0.5), (0.3, 0.3), (0.7, 0.7), (0.3, 0.7), (0.7, 0.3))
_CLEAR = 12.0  # z from which no other tile or turn is tried


@dataclass(frozen=True)
class Place:
    """The second grid laid on the first: turned, then moved; `z` is how well it fits."""

    turn: Turn
    rows: int
    columns: int
    z: float


def best_places(first: Fingerprint, second: Fingerprint) -> list[Place]:
    """Places of the second grid on the first that are worth examining, the best first."""
    if min(max(first.known.shape), max(second.known.shape)) <= _LARGE:
        whole = _Prepared.of(first, second.known.shape)
        found = list(_over_turns(whole, second))
    else:
        found = list(_by_tiles(first, second))
    return sorted(found, key=lambda place: -place.z)[:_EXAMINED]


def _over_turns(first: _Prepared, second: Fingerprint) -> Iterator[Place]:
    """The best places of each turn; the cloth turned over is tried when nothing else fits."""
    best = 0.0
    for turn in TURNS:
        if turn.mirrored and best > _CLEAR:
            return
        for place in first.places(second.turned(turn), turn):
            best = max(best, place.z)
            yield place


def _by_tiles(first: Fingerprint, second: Fingerprint) -> Iterator[Place]:
    prepared = _Prepared.of(first, (_TILE, _TILE))
    for share in _TILES:
        start = [int(s * (n - _TILE)) for s, n in zip(share, second.known.shape, strict=True)]
        part = tuple(slice(max(0, s), max(0, s) + _TILE) for s in start)
        tile = np.zeros_like(second.known)
        tile[part] = second.known[part]
        cut = Fingerprint(second.residual[:, *part], second.known[part], second.faithful)
        found = [
            _of_whole(place, [p.start for p in part], cut.known.shape, second.known.shape)
            for place in _over_turns(prepared, cut)
        ]
        yield from found
        if max((place.z for place in found), default=0.0) > _CLEAR:
            return


def _of_whole(
    place: Place, start: list[int], tile: tuple[int, ...], shape: tuple[int, ...]
) -> Place:
    """The place of a grid of `shape`, of which a tile begins at `start`, by that of the tile."""
    corner = np.zeros(shape, np.bool_)
    corner[start[0] : start[0] + tile[0], start[1] : start[1] + tile[1]] = True
    laid = place.turn.of(corner)
    row, column = int(np.argmax(laid.any(axis=1))), int(np.argmax(laid.any(axis=0)))
    return Place(place.turn, place.rows - row, place.columns - column, place.z)


@dataclass(frozen=True, eq=False)
class _Prepared:
    """Transforms of the first grid, `own` rows and columns, `padded` for others beside it."""

    padded: tuple[int, int]
    own: tuple[int, int]
    value: list[NDArray[np.complex64]]
    square: list[NDArray[np.complex64]]
    known: NDArray[np.complex64]

    @classmethod
    def of(cls, first: Fingerprint, second_shape: tuple[int, ...]) -> _Prepared:
        from scipy.fft import next_fast_len

        largest = max(second_shape)  # a turn exchanges rows and columns
        rows, columns = first.known.shape
        size = (
            next_fast_len(rows + largest, real=True),
            next_fast_len(columns + largest, real=True),
        )
        return cls(
            size,
            (rows, columns),
            [_transform(first.residual[axis], size) for axis in (0, 1)],
            [_transform(first.residual[axis] ** 2, size) for axis in (0, 1)],
            _transform(first.known.astype(np.float32), size),
        )

    def _product(self, first: NDArray[np.complex64], second: NDArray[np.complex64]) -> Float32:
        from scipy.fft import irfft2

        return np.asarray(irfft2(first * second.conj(), self.padded))

    def places(self, second: Fingerprint, turn: Turn) -> Iterator[Place]:
        """The best places of a grid that is turned already."""
        known = _transform(second.known.astype(np.float32), self.padded)
        count = self._product(self.known, known)
        enough = count > FEWEST - 0.5
        common = self._common(second.known.shape)
        z = np.full(self.padded, np.inf, np.float32)
        for axis in (0, 1):
            value, square = second.residual[axis], second.residual[axis] ** 2
            top = self._product(self.value[axis], _transform(value, self.padded))
            energy = self._product(self.square[axis], known)
            energy *= self._product(self.known, _transform(square, self.padded))
            r = np.zeros_like(top)
            np.divide(top, np.sqrt(np.maximum(energy, 1e-6)), out=r, where=enough)
            wires = np.divide(count, np.maximum(common[axis], 1))  # of x: openings over rows
            np.clip(r, -0.9999, 0.9999, out=r)
            z = np.minimum(z, np.arctanh(r) * np.sqrt(np.maximum(wires - 3, 0)))
        z[~enough] = -np.inf
        for _ in range(_PLACES):
            at = np.unravel_index(int(np.argmax(z)), self.padded)
            if not z[at] > 0:
                return
            moved = [
                int(k) if k < n else int(k) - total
                for k, n, total in zip(at, self.own, self.padded, strict=True)
            ]
            yield Place(turn, moved[0], moved[1], float(z[at]))
            z[at] = -np.inf

    def _common(self, second: tuple[int, ...]) -> tuple[Float, Float]:
        """Rows and columns both grids cover at each shift, shaped for broadcasting."""
        out = []
        for own, other, total in zip(self.own, second, self.padded, strict=True):
            shift = np.arange(total)
            shift = np.where(shift < own, shift, shift - total)
            over = np.minimum(own, other + shift) - np.maximum(0, shift)
            out.append(np.maximum(over, 0).astype(np.float32))
        return out[0][:, None], out[1][None, :]


def _transform(grid: Float32, shape: tuple[int, int]) -> NDArray[np.complex64]:
    from scipy.fft import rfft2

    return np.asarray(rfft2(grid, shape))
