"""The Cramér-Rao bound of the width between two blurred edges.

One edge, one row of pixels of noise σ_n under contrast A:  σ_x ≥ (σ_n/A) / √∫L²
with L the line spread across the edge, the pixel's own width included. For a Gaussian of s px
∫L² = 1 / (2√π s), the known σ_x ≥ (σ_n/A)·√(2√π s). By Parseval ∫L² = ∫|L̂|² df, which the
transfer functions of the drawing give for every shape of blur.

Two edges make a width (√2), and n rows a mean (√n): the rows of the band along the wires that is
the middle half of the opening, where widths at mid-position may be taken. Levels are taken as
known and blur as known, so the bound is below what can be reached, most of all in small openings.
"""

from __future__ import annotations

import math

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.synthetic import Optics
from sieve_inspect.synthetic.optics import transfer

_STEP, _HIGHEST = 0.005, 3.0  # cycles/px


def line_spread_power(optics: Optics, normal: Float) -> float:
    """∫L² (1/px) of the line spread along the unit vector `normal` (2,), pixel included."""
    frequency = np.arange(0, _HIGHEST, _STEP) + _STEP / 2
    fx, fy = frequency * normal[0], frequency * normal[1]
    spread = np.array(
        [abs(transfer(optics, fx[i : i + 1], fy[i : i + 1])[0, 0]) for i in range(len(frequency))]
    )
    spread = spread * np.sinc(fx) * np.sinc(fy)
    return float(2 * _STEP * np.sum(spread**2))


def width_bound(noise: float, optics: Optics, normal: Float, opening_px: float) -> float:
    """Smallest standard deviation (px) of one width; `noise` is σ_n/A.

    `opening_px` is the opening along the wires, of which the middle half is used.
    """
    rows = 0.5 * opening_px
    return noise * math.sqrt(2 / (rows * line_spread_power(optics, normal)))
