"""What a sieve's history leads to expect of a check, before it is made (JCGM 106:2012, 6.2).

From three earlier checks of the same cloth on: the wear line extended to the check. From one or
two: the last of them; its uncertainty is widened by the range of the earlier values, at least by
three times its own (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sieve_inspect.verdict.risk import Normal, specific_risk
from sieve_registry.outlook.cloth_history import (
    DAYS_PER_YEAR,
    ScaleShares,
    Step,
    check_point,
    cloth_history,
    elapsed,
    part_index,
)
from sieve_registry.outlook.straight_line import Point, fit, line_design
from sieve_registry.outlook.wear import LEAST_CHECKS
from sieve_registry.records import Check, SieveHistory


@dataclass(frozen=True)
class Prior:
    """The expected value with its standard uncertainty, in um, and the scale it depends on."""

    value_um: float
    u_um: float
    group: str


def prior_of(
    history: SieveHistory, check: Check, name: str, direction: str, scales: ScaleShares
) -> Prior | None:
    """What the checks before `check` lead to expect of one of its values; None without any."""
    cloth = cloth_history(history, check.on_date)
    end = (check.on_date, check.seq)
    earlier = [
        (one, point)
        for one in cloth.checks
        if (one.on_date, one.seq) < end
        and (point := check_point(one, name, direction, scales)) is not None
    ]
    if not earlier:
        return None
    checks, points = [one for one, _ in earlier], [point for _, point in earlier]
    return _extended_line(history, check, checks, points, cloth.steps) or _from_few(points)


def _extended_line(
    history: SieveHistory,
    check: Check,
    earlier: Sequence[Check],
    points: Sequence[Point],
    steps: Sequence[Step],
) -> Prior | None:
    if len(points) < LEAST_CHECKS:
        return None
    parts = [part_index(one, steps) for one in earlier]
    if part_index(check, steps) != parts[-1]:
        return None  # a step lies between: the level may differ
    by_uses = bool(history.uses)
    per = 1000.0 if by_uses else DAYS_PER_YEAR
    start = earlier[0].on_date
    *places, here = (
        elapsed(history, start, one.on_date, one.seq, by_uses=by_uses) / per
        for one in (*earlier, check)
    )
    line = fit(line_design(parts, places), points)
    if line is None or line.dof < 1:
        return None
    row = np.zeros(len(line.beta))
    row[-2], row[-1] = 1.0, here
    value, u = line.at(row)
    return Prior(value, u, points[-1].group)


def _from_few(points: Sequence[Point]) -> Prior:
    values = [p.value for p in points]
    last = points[-1]
    own = math.hypot(last.u, last.common)
    change = max(max(values) - min(values), 3 * own)
    return Prior(last.value, math.hypot(own, change), last.group)


def risk_with_prior(prior: Prior, measured: Point, low: float | None, high: float | None) -> float:
    """Specific risk of a value given its prior; a scale common to both counts once."""
    u = math.hypot(measured.u, measured.common)
    shared = measured.common if prior.group == measured.group else 0.0
    # Rounding must not make a line through many checks better than the scale they share.
    shared = min(shared, 0.999 * prior.u_um, 0.999 * u)
    return specific_risk(
        Normal(measured.value, u), low, high, Normal(prior.value_um, prior.u_um), shared
    )
