"""The scan of a whole cloth as light: in bands of rows, and pixel by pixel where asked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.image import ScanSource, light_of, light_table, opencv

__all__ = ["BandedLight", "Light"]

Float32 = NDArray[np.float32]

_LARGEST = 3000  # px a side that a person looks at as a whole


@dataclass(frozen=True, eq=False)
class BandedLight:
    """A scan under one encoding; `bright` tells whether openings are the brighter part.

    It can be looked up like an array (h, w) of linear light: `sheet[rows, columns]`, and
    `sheet.ravel().take(numbers)`. That is all that measuring asks of a picture.
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

    def light(self, top: int, bottom: int) -> Float32:
        """Linear light (rows, w) in 0..1 with the openings bright."""
        return light_of(self.source.rows(top, bottom), self._table)

    def small(self, top: int, bottom: int, factor: int) -> Float32:
        """Stored numbers as 0..1, averaged over `factor` px: good enough to find openings by."""
        raw = self.source.rows(top, bottom)
        small = opencv.shrink(raw, factor) if factor > 1 else raw.astype(np.float32)
        if small.ndim == 3:
            small = small.mean(axis=2, dtype=np.float32)
        small /= (1 << self.source.bits) - 1
        return small if self.bright else 1 - small

    def window(self, top: int, left: int, side: int) -> Float32:
        """Linear light of a square part, cut off at the borders."""
        return light_of(self.source.rows(top, top + side)[:, left : left + side], self._table)

    @property
    def reduction(self) -> int:
        """How many times smaller `reduced` is."""
        return -(-max(self.shape) // _LARGEST)

    def reduced(self) -> Float32:
        """The whole picture as linear light for the eye."""
        factor = self.reduction
        step = max(factor, 512 // factor * factor)
        bands = [self.light(top, top + step) for top in range(0, self.shape[0], step)]
        return np.concatenate([opencv.shrink(b, factor) for b in bands if len(b) >= factor])

    def max(self) -> float:
        """The most light a pixel could say."""
        return float(self._table.max())

    def ravel(self) -> BandedLight:
        """Itself: `take` counts in reading order."""
        return self

    def take(self, number: NDArray[Any], mode: str = "clip") -> Float32:
        """Light of single pixels (any shape) by their number in reading order."""
        last = self.shape[0] * self.shape[1] - 1
        assert mode == "clip"
        light = opencv.look_up(self._table, self.source.at(np.clip(number, 0, last)))
        return light if light.ndim == number.ndim else light.mean(axis=-1)

    def __getitem__(self, place: tuple[NDArray[Any], NDArray[Any]]) -> Float32:
        row, column = place
        return self.take(row.astype(np.int64) * self.shape[1] + column)


Light = Float32 | BandedLight
"""Linear light (h, w) of a picture with the openings bright, in memory or read in bands."""
