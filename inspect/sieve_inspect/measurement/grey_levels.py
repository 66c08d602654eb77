"""Scans of too few grey levels: thresholded, posterised, with a palette, or stretched in contrast.

Where an edge lies between two pixels is seen in the light of the pixels it crosses. With two to a
few levels that light is gone; with a few dozen the widths are right only on average.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.errors import RefusedImageError
from sieve_inspect.image.bands import ScanSource
from sieve_inspect.image.samples import Raw

# Levels below which a scan is refused, and below which it is doubted if they leave gaps between
# them. A blurred edge of four pixels at a quarter of full contrast, with noise of one level in 256,
# shows more than 40; a scan of 8 bits with low contrast has few levels but no gaps.
_PALETTE = 4  # refused even without gaps, as where a bit is stored as 0 and 1
_FEWEST = 16
_FEW = 64
_GAPS = 0.5  # share of the levels between the darkest and the lightest that are used
_RARE = 2e-5  # share of the pixels below which a level is a mark or a dead pixel
_ROWS = 400  # examined
# Share of the ways from dark to light that have no pixel between. A pixel takes the mean of its own
# square, so that of sharpest edges at most 0.6 have none; drawn scans reach 0.32, photographs and
# scans less, white noise 0.71, thresholded pictures saved as JPEG 1.00.
_JUMPS = 0.85
_FEWEST_WAYS = 50
_PARTS = 8  # of the picture along each side, each judged by its own levels
_CONTRAST = 0.25  # of the picture's contrast, from which a part shows edges and not noise
_PIXELS = 1_000_000  # in which they are sought
_DARK, _LIGHT = 0.3, 0.7  # of the way from the 2nd to the 98th percentile


def rows_of(source: ScanSource) -> Raw:
    """Some rows of a large scan, evenly from all of it, one upon another."""
    rows = np.unique(np.linspace(0, source.shape[0] - 1, _ROWS).astype(int)).tolist()
    return np.concatenate([source.rows(row, row + 1) for row in rows])


def check_grey_levels(path: Path, raw: Raw) -> str:
    """Refuse stored numbers (h, w) or (h, w, 3) of a few levels; a doubt about a few dozen, or "".

    Raises `RefusedImageError`.
    """
    some = raw[:: max(1, len(raw) // _ROWS)]
    grey = some if some.ndim == 2 else some.sum(axis=2, dtype=np.uint32)
    count = np.bincount(grey.ravel())
    used = np.flatnonzero(count >= max(2, _RARE * grey.size))
    levels = len(used)
    gaps = levels > 1 and levels < _GAPS * (used[-1] - used[0] + 1)
    if 1 < levels <= _PALETTE or (gaps and levels < _FEWEST):
        raise RefusedImageError(
            file=path,
            reason=f"it has only {levels} grey levels, as after thresholding or posterising, so "
            "the position of edges between pixels is lost",
            advice="Scan in greyscale of 8 or 16 bit and leave the picture as scanned",
        )
    _check_jumps(path, grey[:: max(1, grey.size // _PIXELS)])
    if gaps and levels < _FEW:
        return (
            f"the scan has only {levels} grey levels with gaps between them, as after stretching "
            "its contrast; leave the picture as scanned"
        )
    return ""


def _check_jumps(path: Path, grey: Raw) -> None:
    """Refuse rows (n, w) whose edges have no pixel between dark and light.

    Judged by the middle of many parts, each by its own levels: a border, a label or a ruler laid
    into the picture has edges of its own.
    """
    least = _CONTRAST * float(np.subtract(*_percentiles(grey, 98, 2)))
    parts = [
        part
        for rows in np.array_split(grey, min(_PARTS, len(grey)))
        for part in np.array_split(rows, min(_PARTS, grey.shape[1]), axis=1)
    ]
    counts = np.array([_ways_and_jumps(part, least) for part in parts])
    ways, jumps = counts[counts[:, 0] > 0].T
    if ways.sum() >= _FEWEST_WAYS and np.median(jumps / ways) > _JUMPS:
        raise RefusedImageError(
            file=path,
            reason="its edges go from dark to light without a pixel between, as after "
            "thresholding, so the position of edges between pixels is lost",
            advice="Scan in greyscale of 8 or 16 bit and leave the picture as scanned",
        )


def _percentiles(grey: Raw, *percent: float) -> Float:
    """As of NumPy, by counting: there are few stored numbers."""
    below = np.bincount(grey.ravel()).cumsum()
    place = np.array(percent) / 100 * (grey.size - 1)
    low, high = (below.searchsorted(end(place), "right") for end in (np.floor, np.ceil))
    return np.asarray(low + (high - low) * (place % 1))


def _ways_and_jumps(grey: Raw, least: float) -> tuple[int, int]:
    """How often rows (n, w) go from dark to light or back, and how often without a pixel between.

    None where their levels differ by less than `least`.
    """
    low, high = _percentiles(grey, 2, 98)
    if high - low < max(least, 1):
        return 0, 0
    # Whole numbers, which are compared with whole limits four times as fast.
    dark = grey < math.ceil(low + _DARK * (high - low))
    light = grey > math.floor(low + _LIGHT * (high - low))
    between = ~dark & ~light
    jumps = int(((dark[:, :-1] & light[:, 1:]) | (light[:, :-1] & dark[:, 1:])).sum())
    ends = (dark[:, :-2] & light[:, 2:]) | (light[:, :-2] & dark[:, 2:])
    return jumps + int((between[:, 1:-1] & ends).sum()), jumps
