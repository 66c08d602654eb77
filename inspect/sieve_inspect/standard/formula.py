"""The mathematics behind the tables, w the nominal aperture in um.

    X  = 2 w^0.75 / 3 + 4 w^0.25         no aperture above w + X
    Y  = w^0.98 / 27 + 1.6               the mean within w ± Y
    Z  = (X + Y) / 2                     few apertures above w + Z (Ph. Eur. 2.1.4)
    σ0 : a normal centred on w has exactly 5 % between w + Z and w + X
    s  ≤ σ0 / (1 + k / √(2(n − 1)))      k = 0 compliance, 2.58 inspection, 3 calibration
    K s ≤ σ0, K = √((n − 1) / χ²(0.005; n − 1)), cut after two decimals      2000 edition

X and Y were decoded from the tables of the open library fluids 1.3.1: with each edition's
rounding they give every one of its rows. σ0 and k were decoded from the same tables.
K was decoded from a single value, K(25) = 1.55 at 99 % (seen in GB/T 6003.1 Annex A): the upper
end of the two-sided 99 % interval of σ is 1.558, cut to 1.55; the one-sided bound is 1.487.
Rounding is half up in decimal arithmetic, so that 12.5 can never become 12.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal, localcontext

_DIGITS = 40
_K = {"compliance": 0.0, "inspection": 2.58, "calibration": 3.0}
GRADES = tuple(_K)


def x_um(w: Decimal) -> Decimal:
    """X in um for a nominal aperture in um, unrounded."""
    with localcontext() as context:
        context.prec = _DIGITS
        root = w.sqrt().sqrt()
        return 2 * root**3 / 3 + 4 * root


def y_um(w: Decimal) -> Decimal:
    """Y in um for a nominal aperture in um, unrounded."""
    with localcontext() as context:
        context.prec = _DIGITS
        return w ** Decimal("0.98") / 27 + Decimal("1.6")


def z_um(w: Decimal) -> Decimal:
    """Z in um for a nominal aperture in um, unrounded: halfway between X and Y."""
    return (x_um(w) + y_um(w)) / 2


def round_half_up(value: Decimal, step: Decimal) -> Decimal:
    """The multiple of `step` nearest to `value`, the upper one when two are as near."""
    return (value / step).quantize(Decimal(1), ROUND_HALF_UP) * step


def s_divisor(grade: str, n: int) -> float:
    """What σ0 is divided by so that a sample of n apertures represents the cloth."""
    return 1.0 + _K[grade] / math.sqrt(2.0 * (n - 1)) if _K[grade] else 1.0


def k_factor(n: int) -> Decimal:
    """K for n apertures (2 or more): their s times K must not exceed σ0.

    Cut, not rounded, as the single published value seen is; the bound itself is less than 0.01 off.
    """
    from scipy.special import chdtri  # the upper quantile of chi-square

    k = math.sqrt((n - 1) / float(chdtri(n - 1, 0.995)))
    return Decimal(math.floor(100 * k)) / 100


def sigma_5_percent(z: float, x: float) -> float | None:
    """The σ for which a normal centred on w has 5 % between w + z and w + x.

    Of the two solutions the smaller, the sharper cloth; None where the interval never holds
    5 % (sizes from 45 mm).
    """

    def share(sigma: float) -> float:
        a, b = z / (sigma * math.sqrt(2)), x / (sigma * math.sqrt(2))
        return 0.5 * (math.erf(b) - math.erf(a))

    # The share grows with σ up to the σ where both densities, times their bounds, are equal.
    top = math.sqrt((x * x - z * z) / (2 * math.log(x / z)))
    if share(top) < 0.05:
        return None
    low, high = z / 10, top
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if share(middle) < 0.05 else (low, middle)
    return (low + high) / 2
