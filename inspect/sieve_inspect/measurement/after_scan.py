"""What was done to a picture after it was scanned: smoothing, enlarging, turning by a program.

A lens blurs light, a program blurs stored numbers. On the sRGB curve that moves the place of half
the light: the curve g bends an edge E of the light to g(E), and smoothing it by the variance s²
moves the place where E is a half by

    ½ s² · g''/g' · E'          with E' = 1/(σ √(2π)), and g''/g' = −1.09 at half the light (sRGB)

towards the light: an aperture looks 0.436 s²/σ narrower, σ the blur of its edges. Drawn pictures
enlarged or turned with linear interpolation lose 0.09 to 0.22 px so, as the formula says.

The sensor's noise tells it: it is alike in neighbouring pixels only where they were mixed later. A
Gaussian of variance s² makes it alike by ρ = exp(−1/(4 s²)).
"""

from __future__ import annotations

import math

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.arrays import Float
from sieve_inspect.image.encoding import stored_by
from sieve_inspect.image.light import ScanLight

_SHIFT = 0.436  # see above; dark wires, half of the light of an opening
_CLEAR_OF_EDGES = 3.0  # blurs from the edges to the pixels that are examined
_SMALLEST = 5  # px, side of the square examined in each opening
_LARGEST = 15
_OPENINGS = 200
_LAG = 3  # px, over which noise is taken to be independent; fixed stripes are alike there too
_STEPS = 0.3  # of a step of the stored numbers: finer noise shows the rounding
_ALIKE = 0.15  # ρ below which pixels count as independent: its own scatter is 0.03
_MOST = 0.9  # ρ beyond which a film, not noise, is examined


def smoothed_px(field: Field, light: ScanLight) -> float:
    """By how much apertures may look narrower through smoothing of stored numbers, px.

    0 where stored numbers are light, where openings or noise are too small to tell, and where
    nothing was smoothed.
    """
    if light.encoding == "linear":
        return 0.0
    squares = _squares(field, light)
    if squares is None:
        return 0.0
    stored = stored_by(light.encoding)(np.clip(squares, 0, 1)) * ((1 << light.source.bits) - 1)
    # Stripes are alike along one side of the pixels only.
    alike = min(_alike(stored), _alike(stored.transpose(0, 2, 1)))
    if alike < _ALIKE:
        return 0.0
    variance = -1 / (4 * math.log(min(alike, _MOST)))
    blur = min(axis.response.sigma for axis in field.axes)
    return _SHIFT * min(variance, blur**2) / blur


def _squares(field: Field, light: ScanLight) -> Float | None:
    """Light of squares (n, side, side) in the middle of openings; None where they are too small."""
    which = field.sample(_OPENINGS)
    free = min(
        float(np.median(axis.fit.width[which])) - 2 * _CLEAR_OF_EDGES * axis.response.sigma
        for axis in field.axes
    )
    across = np.abs(field.axes[0].normal[which[0]]).sum()  # of a turned square
    side = min(int(free / across), _LARGEST)
    if side < _SMALLEST:
        return None
    first = np.rint(field.centre[which] - (side - 1) / 2).astype(np.intp)
    step = np.arange(side)
    rows, columns = np.broadcast_arrays(
        first[:, 1, None, None] + step[:, None], first[:, 0, None, None] + step
    )
    return light[rows, columns].astype(np.float64)


def _alike(stored: Float) -> float:
    """How alike the noise of neighbours in a row is, in squares (n, side, side): 0 to 1.

    The noise differs by 2 σ² (1 − ρ) between neighbours and by 2 σ² between distant pixels; what
    the squares have in slow changes, or in stripes along the rows, is in both.
    """
    near = np.diff(stored, axis=2)
    far = stored[:, :, _LAG:] - stored[:, :, :-_LAG]
    # Dust and dirt are rare: the median over the squares does not see them.
    distant = float(np.median((far**2).mean(axis=(1, 2))))
    if distant < 2 * _STEPS**2:
        return 0.0
    return 1 - float(np.median((near**2).mean(axis=(1, 2)))) / distant
