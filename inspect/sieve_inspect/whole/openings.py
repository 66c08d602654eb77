"""The openings of a whole cloth and their place on one grid, found in bands on a small copy.

As in `weave.lattice`: openings are the local maxima of a smoothed copy, links of about one pitch
between them give rows and columns. Which maxima there are does not depend on the bands, for
smoothing and maxima look no further than the margin that every band brings along.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from sieve_inspect import pixels
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.weave.lattice import (
    FEWEST,
    Lattice,
    Pitch,
    grid_of,
    link,
    outstanding,
    peaks_with_height,
)

__all__ = ["Small", "find_openings"]

Float = NDArray[np.float64]
Small = Callable[[int, int, int], NDArray[np.float32]]  # rows from, to, factor → openings bright

_PITCH = 8  # px of the small copy
_CORE = 512  # rows of the small copy at a time
_MARGIN = 40


def find_openings(
    shrunk: Small, shape: tuple[int, int], pitch: Pitch, bright: bool, name: object, workers: int
) -> Lattice:
    """Find and index all openings of a scan of `shape` (h, w). Raises `NoLatticeError`."""
    factor = max(1, int(pitch.lengths.min() // _PITCH))
    vectors = pitch.vectors / factor
    sigma = 0.2 * float(np.hypot(*vectors.T).mean())
    height, width = shape[0] // factor, shape[1] // factor

    def look(top: int) -> tuple[Float, Float]:
        first, last = max(0, top - _MARGIN), min(height, top + _CORE + _MARGIN)
        small = shrunk(first * factor, last * factor, factor)
        smooth = pixels.gaussian_blur(small, sigma)
        peaks, high = peaks_with_height(smooth, vectors)
        peaks[:, 1] += first
        row = np.rint(peaks[:, 1])
        mine = (row >= top) & (row < min(height, top + _CORE))
        return peaks[mine], high[mine]

    with ThreadPoolExecutor(workers) as pool:
        parts = list(pool.map(look, range(0, height, _CORE)))
    peaks, high = (np.concatenate(part) for part in zip(*parts, strict=True))
    peaks = peaks[outstanding(high)]
    index, member, elsewhere = link(peaks, vectors)
    if member.sum() < FEWEST:
        raise NoLatticeError(file=name, reason="no two rows of openings hang together")
    centre, seen = grid_of(peaks[member], index[member], (height, width))
    return Lattice(pitch, (centre + 0.5) * factor - 0.5, seen, bright, elsewhere)
