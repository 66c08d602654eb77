"""The normal distribution for arrays: SciPy's takes a fifth of a small scan's time to load.

Between points 1/64 apart Φ is a cubic through its values and slopes (Hermite), which misses it by
less than h⁴/384 · max|φ'''| = 2.2·10⁻¹⁰.
"""

from __future__ import annotations

import math
from functools import cache
from typing import cast

import numpy as np

from sieve_inspect.arrays import Float

_PER_UNIT = 64
_END = 8.5  # Φ is 0 or 1 beyond to within 1e-17


@cache
def _table() -> tuple[Float, Float]:
    z = np.arange(-_END * _PER_UNIT, _END * _PER_UNIT + 2) / _PER_UNIT
    value = np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in z.tolist()])
    return value, density(z) / _PER_UNIT


def density(z: Float) -> Float:
    """φ(z)."""
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def ndtr(z: Float) -> Float:
    """Φ(z)."""
    value, slope = _table()
    place = np.clip(z, -_END, _END) + np.float64(_END)
    place *= _PER_UNIT
    index = place.astype(np.intp)
    place -= index
    low, high = value.take(index), value.take(index + 1)
    first, last = slope.take(index), slope.take(index + 1)
    # Horner's form of the cubic.
    rise = high - low
    bend = last + first - 2 * rise
    out = bend * place
    out += 3 * rise - 2 * first - last
    out *= place
    out += first
    out *= place
    out += low
    return np.asarray(out)


@cache
def _above() -> tuple[Float, ...]:
    """Φ(z) and z Φ(z) + φ(z) at the points, each with what it grows by to the next."""
    z = np.arange(-_END * _PER_UNIT, _END * _PER_UNIT + 2) / _PER_UNIT
    share = _table()[0]
    mean = z * share + density(z)
    pairs = [(part, np.diff(part, append=part[-1:])) for part in (share, mean)]
    single = (part.astype(np.float32) for pair in pairs for part in pair)
    return cast("tuple[Float, ...]", tuple(single))


def above_zero(z: Float) -> tuple[Float, Float]:
    """Mean of what is above zero of a normal variable around z, 1 wide, and Φ(z), its slope.

    By straight lines between the points, to within 1e-5.
    """
    place = np.clip(z, -_END, _END)
    beyond = np.maximum(z - _END, 0)
    place += _END
    place *= _PER_UNIT
    whole = np.floor(place)
    place -= whole
    index = whole.astype(np.intp)
    share, share_step, mean, mean_step = (table.take(index) for table in _above())
    share += place * share_step
    mean += place * mean_step
    mean += beyond
    return mean, share
