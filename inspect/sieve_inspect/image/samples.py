"""Stored samples of a scan, in memory or in a file: bands of rows, and single pixels by number."""

from __future__ import annotations

import mmap
import os
import weakref
from collections.abc import Callable
from itertools import pairwise
from threading import Lock
from typing import Any, BinaryIO, Protocol

import numpy as np
from numpy.typing import NDArray

Raw = NDArray[Any]  # grey (..., ) or colour (..., 3), unsigned 8 or 16 bit

_FEW = 4096  # pixels; after reading more of them mapped pages are released, …
_FRUGAL = 250_000_000  # … and in files of more samples than this after every …
_STRETCHES = 32  # … stretches of …
_STRETCH = 1 << 21  # … so many bytes, which systems map together at the first access

Finish = Callable[[NDArray[Any]], Raw]  # stored samples (..., s) to grey or RGB


def plain(array: NDArray[Any]) -> Raw:
    """Samples (..., s) as RGB or, where there are fewer than three, as grey."""
    return array[..., :3] if array.shape[-1] >= 3 else array[..., 0]


class Pixels(Protocol):
    """The samples of a scan, finished: grey or RGB."""

    def rows(self, top: int, bottom: int) -> Raw:
        """The rows from `top` to before `bottom`."""
        ...

    def at(self, number: NDArray[np.integer]) -> Raw:
        """Single pixels by their number (any shape) in reading order."""
        ...


class InMemory(Pixels):
    """Stored samples (h, w, s)."""

    def __init__(self, samples: NDArray[Any], finish: Finish) -> None:
        self.samples, self._finish = samples, finish
        self._flat = samples.reshape(-1, samples.shape[-1])

    def rows(self, top: int, bottom: int) -> Raw:
        """As `Pixels.rows`."""
        return np.ascontiguousarray(self._finish(self.samples[top:bottom]))

    def at(self, number: NDArray[np.integer]) -> Raw:
        """As `Pixels.at`."""
        if self._flat.shape[1] == 1:
            return self._finish(self._flat[:, 0].take(number)[..., None])
        return self._finish(self._flat[number])


class OnDisk(Pixels):
    """Stored samples (h, w, s) in a file, from a byte on; rows that are missing are zero.

    Rows are read; single pixels are taken from a memory map whose pages are released at once:
    neither lets the process grow with the file.
    """

    def __init__(
        self, file: BinaryIO, start: int, shape: tuple[int, int, int], stored: str, finish: Finish
    ) -> None:
        self._start, self._shape, self._finish = start, shape, finish
        self._file = os.dup(file.fileno())
        weakref.finalize(self, os.close, self._file)
        self._stored = np.dtype(stored)
        self._line = shape[1] * shape[2] * self._stored.itemsize
        size = os.fstat(file.fileno()).st_size
        self.present = max(0, min(shape[0], (size - start) // self._line))
        self._map = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) if self.present else None
        self._lock = Lock()

    def rows(self, top: int, bottom: int) -> Raw:
        """As `Pixels.rows`."""
        samples = np.zeros((bottom - top, *self._shape[1:]), self._stored)
        if top < self.present:
            part = samples[: min(bottom, self.present) - top].reshape(-1).view(np.uint8)
            with self._lock, open(self._file, "rb", closefd=False) as file:
                file.seek(self._start + top * self._line)
                file.readinto(part.data)
        return np.ascontiguousarray(self._finish(self._native(samples)))

    def at(self, number: NDArray[np.integer]) -> Raw:
        """As `Pixels.at`."""
        _, width, count = self._shape
        out = np.zeros((number.size, count), self._stored)
        if self._map is not None:
            flat = number.ravel()
            length = self.present * width * count
            pixels = np.frombuffer(self._map, self._stored, length, self._start).reshape(-1, count)
            frugal = length > _FRUGAL
            for some in self._runs(flat) if frugal else [slice(None)]:
                present = flat[some] < len(pixels)
                out[some][present] = pixels[flat[some][present]]
                if (frugal or len(flat) > _FEW) and hasattr(mmap, "MADV_DONTNEED"):
                    self._map.madvise(mmap.MADV_DONTNEED)
        return self._finish(self._native(out).reshape(*number.shape, count))

    def _runs(self, number: NDArray[np.integer]) -> list[slice]:
        """Runs of pixels, by number (n,), that touch at most 32 stretches of the file."""
        stretch = number // max(1, _STRETCH * self._shape[1] // self._line)
        cuts = (np.flatnonzero(stretch[1:] != stretch[:-1]) + 1)[_STRETCHES - 1 :: _STRETCHES]
        return [slice(*ends) for ends in pairwise([0, *cuts.tolist(), len(number)])]

    def _native(self, samples: NDArray[Any]) -> NDArray[Any]:
        return samples.astype(self._stored.newbyteorder("="), copy=False)
