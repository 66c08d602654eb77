"""Quantiles of Student's t: SciPy's take longer to load than a small scan to be measured."""

from __future__ import annotations

import math
from statistics import NormalDist

_EXPANDED_FROM = 1000  # degrees of freedom from which the expansion is exact to 1e-15
_STEPS = 30
_SETTLED = 1e-15


def student_quantile(p: float, dof: float) -> float:
    """The value that t with `dof` degrees of freedom, a whole number, exceeds with 1 − p < 0.5.

    Abramowitz and Stegun, 26.7.5 (expansion), then Newton's steps on 26.7.3 and 26.7.4.
    """
    z = NormalDist().inv_cdf(p)
    terms = (
        z,
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    t = sum(term / dof**k for k, term in enumerate(terms))
    if dof >= _EXPANDED_FROM:
        return t
    half = 0.5 * dof
    log_scale = math.lgamma(half + 0.5) - math.lgamma(half) - 0.5 * math.log(math.pi * dof)
    for _ in range(_STEPS):
        density = math.exp(log_scale - (half + 0.5) * math.log1p(t * t / dof))
        step = (p - 0.5 - 0.5 * _central(t, int(dof))) / density
        t += step
        if abs(step) <= _SETTLED * t:
            break
    return t


def _central(t: float, dof: int) -> float:
    """The probability that t lies between −t and t."""
    angle = math.atan2(t, math.sqrt(dof))
    cosine, sine = math.cos(angle), math.sin(angle)
    odd = dof % 2
    term = total = 0.0 if dof == 1 else cosine if odd else 1.0
    for k in range(2 + odd, dof - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return 2 / math.pi * (angle + sine * total) if odd else sine * total
