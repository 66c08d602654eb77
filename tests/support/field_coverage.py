"""How often U of the mean covers the mean of a cloth whose fields differ, by simulation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sieve_inspect.summary.fields import GapMeans, scatter_between
from sieve_inspect.summary.statistics import sampling_lines
from sieve_inspect.summary.uncertainty import expanded

NOMINAL = 75.0
OF_GAPS = 2.0  # um, standard deviation of gaps within a field


def covered(fields: int, apart: float, gaps: int, *, cloths: int, seed: Sequence[int]) -> float:
    """Share of drawn cloths (fields `apart` um, `gaps` in all) whose mean lies within U."""
    rng = np.random.default_rng(list(seed))
    ones = np.ones(gaps // fields, np.intp)
    inside = 0
    for _ in range(cloths):
        places = rng.normal(NOMINAL, apart, fields)
        each = [GapMeans(rng.normal(place, OF_GAPS, len(ones)), ones) for place in places]
        lines = sampling_lines("x", each, scatter_between(each), 1.0)
        mean = float(np.mean([field.field_mean for field in each]))
        inside += abs(mean - NOMINAL) <= expanded(lines).value_um
    return inside / cloths
