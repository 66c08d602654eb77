"""The openings of a large scan, found in bands of rows on a smaller copy.

As in `search`: openings are the local maxima of a smoothed copy. Which maxima there are does not
depend on the bands, for smoothing and maxima reach no further than the margin that every band
brings along.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import ScanSource
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.lattice.pitch import Pitch, find_pitch
from sieve_inspect.lattice.search import (
    Lattice,
    lattice_of,
    openings_are_bright,
    peaks_with_prominence,
    prominent,
    smoothed,
)
from sieve_inspect.workers.shared_work import Progress, SharedWork

CORE = 512  # rows of the small copy in a band, without its margin
_MARGIN = 40  # rows; several times what smoothing and the search for maxima reach
_PX_PER_PITCH = 8  # of the small copy
_WINDOW = 1024  # px a side of the part from which the pitch is taken
# Middles of the window as shares of (height, width), tried in this order: the middle may be torn
# out, but the quarters of a round cloth are cloth as well.
_PLACES = ((0.5, 0.5), (0.4, 0.3), (0.6, 0.7), (0.3, 0.6), (0.7, 0.4))


def find_lattice_in_bands(
    source: ScanSource, encoding: str, work: SharedWork, progress: Progress = lambda _: None
) -> tuple[BandedLight, Lattice]:
    """The light of a large scan, and its openings found and numbered.

    `progress` receives the share done. Raises `NoLatticeError`.
    """
    light, pitch = _light_and_pitch(source, encoding)
    factor = max(1, int(pitch.lengths.min() // _PX_PER_PITCH))
    height = light.shape[0] // factor
    band = (encoding, light.bright, factor, pitch.vectors / factor)
    tasks = [(*band, top, min(top + CORE, height)) for top in range(0, height, CORE)]
    parts = work.map(_peaks_of_band, tasks, progress)
    peaks, prominence = (np.concatenate(part) for part in zip(*parts, strict=True))
    peaks = peaks[prominent(prominence)]
    return light, lattice_of(peaks, pitch, factor, light, light.bright, source.path.name)


def _light_and_pitch(source: ScanSource, encoding: str) -> tuple[BandedLight, Pitch]:
    """The light of the scan with its openings bright, and its pitch from a part of it."""
    height, width = source.shape
    light = BandedLight(source, encoding)
    failure: NoLatticeError | None = None
    for y, x in _PLACES:
        top = max(0, int(y * height) - _WINDOW // 2)
        left = max(0, int(x * width) - _WINDOW // 2)
        window = light.window(top, left, _WINDOW)
        try:
            pitch = find_pitch(window, source.path.name)
        except NoLatticeError as error:
            failure = failure or error
            continue
        return replace(light, bright=openings_are_bright(window, pitch)), pitch
    assert failure is not None
    raise failure


def _peaks_of_band(
    source: ScanSource,
    encoding: str,
    bright: bool,
    factor: int,
    vectors: Float,
    top: int,
    bottom: int,
) -> tuple[Float, Float]:
    """Peaks (n, 2) in rows `top` to `bottom` of the small copy, and their prominence (n,)."""
    first, last = max(0, top - _MARGIN), bottom + _MARGIN
    small = BandedLight(source, encoding, bright).shrunk_rows(first * factor, last * factor, factor)
    peaks, prominence = peaks_with_prominence(smoothed(small, vectors), vectors)
    peaks[:, 1] += first
    row = np.rint(peaks[:, 1])
    own = (row >= top) & (row < bottom)
    return peaks[own], prominence[own]
