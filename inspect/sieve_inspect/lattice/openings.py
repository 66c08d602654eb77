"""The openings of a whole cloth and their place on one grid, found in bands on a small copy.

As in `weave.lattice`: openings are the local maxima of a smoothed copy, links of about one pitch
between them give rows and columns. Which maxima there are does not depend on the bands, for
smoothing and maxima look no further than the margin that every band brings along.
"""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import ScanSource, opencv
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.lattice.patches import FEWEST, link
from sieve_inspect.lattice.search import (
    Lattice,
    Pitch,
    openings_on_grid,
    peaks_with_prominence,
    prominent,
    without_holes,
)
from sieve_inspect.workers.helper import Progress, SharedWork

__all__ = ["find_openings"]

Float = NDArray[np.float64]

_PITCH = 8  # px of the small copy
CORE = 512  # rows of the small copy at a time
_MARGIN = 40


def find_openings(
    sheet: BandedLight, pitch: Pitch, crew: SharedWork, progress: Progress
) -> Lattice:
    """Find and index all openings of a scan. Raises `NoLatticeError`."""
    factor = max(1, int(pitch.lengths.min() // _PITCH))
    height, width = (side // factor for side in sheet.shape)
    vectors = pitch.vectors / factor
    told = (sheet.encoding, sheet.bright, factor, vectors)
    tasks = [(*told, top, min(top + CORE, height)) for top in range(0, height, CORE)]
    parts = crew.each(_peaks_of_band, tasks, progress)
    peaks, high = (np.concatenate(part) for part in zip(*parts, strict=True))
    peaks = peaks[prominent(high)]
    linked = link(peaks, vectors)
    if linked.member.sum() < FEWEST:
        reason = "no two rows of openings hang together"
        raise NoLatticeError(file=sheet.source.path.name, reason=reason)
    centre, seen = openings_on_grid(peaks, linked, (height, width))
    light = cast(NDArray[np.float32], sheet)  # looked up as an array is, no more is asked of it
    full = without_holes((centre + 0.5) * factor - 0.5, seen, light, pitch.vectors)
    return Lattice(pitch, full, seen, sheet.bright, linked.elsewhere, linked.at_odds)


def _peaks_of_band(
    source: ScanSource,
    encoding: str,
    bright: bool,
    factor: int,
    vectors: Float,
    top: int,
    bottom: int,
) -> tuple[Float, Float]:
    """Peaks (n, 2) in rows `top` to `bottom` of the small copy, and how far they stand out."""
    first, last = max(0, top - _MARGIN), bottom + _MARGIN
    small = BandedLight(source, encoding, bright).small(first * factor, last * factor, factor)
    sigma = 0.2 * float(np.hypot(*vectors.T).mean())
    peaks, high = peaks_with_prominence(opencv.gaussian_blur(small, sigma), vectors)
    peaks[:, 1] += first
    row = np.rint(peaks[:, 1])
    mine = (row >= top) & (row < bottom)
    return peaks[mine], high[mine]
