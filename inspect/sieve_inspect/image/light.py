"""A scan as linear light: in bands of rows, and single pixels on demand."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float32
from sieve_inspect.image import ScanSource, light_of, light_table, opencv

_LARGEST = 3000  # px, the longest side of the reduced copy for display
HELD_UP_TO = 6_000_000  # pixels; of larger scans rows and pixels are looked up when needed


def is_held(count: int) -> bool:
    """Whether a scan of so many pixels is small enough for all of its light to be held."""
    return count <= HELD_UP_TO


@dataclass(frozen=True, eq=False)
class ScanLight:
    """A scan under one encoding; `bright` is false where its openings are the darker part.

    Functions that measure single openings take it in place of an array (h, w) of linear light:
    it answers `light[rows, columns]` and `light.ravel().take(numbers)`. Openings are always
    bright in it: the light of a scan with dark openings is inverted.
    """

    source: ScanSource
    encoding: str
    bright: bool = True

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width, px."""
        return self.source.shape

    @cached_property
    def _table(self) -> Float32:
        table = light_table(self.source.bits, self.encoding)
        return table if self.bright else table.max() - table

    @property
    def is_held(self) -> bool:
        """Whether all of its light is held."""
        return is_held(self.shape[0] * self.shape[1])

    @cached_property
    def _held(self) -> Float32 | None:
        """The light (h, w) of a scan that is held, by its source."""
        if not self.is_held:
            return None
        held, key = self.source.held, (self.encoding, self.bright)
        if key not in held:
            held[key] = light_of(self.source.rows(0, self.shape[0]), self._table)
        return held[key]

    def rows(self, top: int, bottom: int) -> Float32:
        """Linear light (rows, w) in 0..1 of the rows from `top` to before `bottom`."""
        if self._held is not None:
            return self._held[max(0, top) : bottom]
        return light_of(self.source.rows(top, bottom), self._table)

    def shrunk_rows(self, top: int, bottom: int, factor: int) -> Float32:
        """Stored numbers as 0..1, averaged over `factor` px: accurate enough to find openings."""
        raw = self.source.rows(top, bottom)
        if self.is_held or factor == 1:
            raw = raw.astype(np.float32)  # the mean of whole numbers would be rounded
        small: Float32 = opencv.shrink(raw, factor) if factor > 1 else raw
        if small.ndim == 3:
            small = small.mean(axis=2, dtype=np.float32)
        small /= (1 << self.source.bits) - 1
        return small if self.bright else 1 - small

    def window(self, top: int, left: int, side: int) -> Float32:
        """Linear light of a square of `side` px, cut off at the borders."""
        if self._held is not None:
            return self._held[top : top + side, left : left + side]
        return light_of(self.source.rows(top, top + side)[:, left : left + side], self._table)

    @property
    def reduction(self) -> int:
        """By which factor `reduced` is smaller."""
        return -(-max(self.shape) // _LARGEST)

    def reduced(self) -> Float32:
        """A copy of at most 3000 px a side, for display."""
        factor = self.reduction
        if factor == 1:
            return self.rows(0, self.shape[0])
        step = max(factor, 512 // factor * factor)
        bands = [self.rows(top, top + step) for top in range(0, self.shape[0], step)]
        return np.concatenate([opencv.shrink(b, factor) for b in bands if len(b) >= factor])

    def max(self) -> float:
        """The largest light that the scan's numbers can hold."""
        return float(self._table.max())

    def ravel(self) -> ScanLight:
        """The scan itself: `take` counts pixels in reading order."""
        return self

    def take(self, number: NDArray[Any], mode: str = "clip") -> Float32:
        """Light of single pixels (any shape) by their number in reading order."""
        assert mode == "clip"
        if self._held is not None:
            return np.asarray(self._held.ravel().take(number, mode="clip"))
        last = self.shape[0] * self.shape[1] - 1
        light = opencv.look_up(self._table, self.source.at(np.clip(number, 0, last)))
        return light if light.ndim == number.ndim else light.mean(axis=-1)

    def __getitem__(self, place: tuple[NDArray[Any], NDArray[Any]]) -> Float32:
        row, column = place
        if self._held is not None:
            return np.asarray(self._held[row, column])
        return self.take(row.astype(np.int64) * self.shape[1] + column)


Light = Float32 | ScanLight
"""Linear light (h, w) of a picture with its openings bright: an array, or read in bands."""
