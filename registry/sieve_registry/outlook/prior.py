"""What a sieve's own history leads to expect of a check, before it is made (JCGM 106:2012, 6.2).

From three earlier checks of the same cloth on: the wear line carried on to the check. From one or
two: the last of them, with an uncertainty as large as a guess of the change would be, the width
of the earlier values or, of one, three times its own uncertainty (a guess, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sieve_inspect.verdict.risk import Normal, specific_risk
from sieve_registry.events import ClothReplaced
from sieve_registry.outlook.straight_line import Point, fit
from sieve_registry.outlook.wear import (
    ENOUGH,
    ScaleShare,
    Step,
    checks_of_cloth,
    part_of,
    point_of,
    uses_before,
)
from sieve_registry.records import Check, Fact, SieveHistory

__all__ = ["Prior", "prior_of", "risk_of"]


@dataclass(frozen=True)
class Prior:
    """The expected value with its standard uncertainty, in um, and the scale it leans on."""

    value_um: float
    u_um: float
    group: str


def prior_of(
    history: SieveHistory,
    check: Check,
    name: str,
    direction: str,
    scales: ScaleShare,
    replaced: Sequence[Fact[ClothReplaced]] = (),
) -> Prior | None:
    """What the checks before `check` led to expect of one of its values; None without any."""
    checks, steps = checks_of_cloth(history, check.on_date, replaced)
    end = (check.on_date, check.seq)
    axis = "xy".index(direction)
    found = [
        (one, point)
        for one in checks
        if (one.on_date, one.seq) < end
        and (point := point_of(one, name, direction, scales[one.id][axis]))
    ]
    if not found:
        return None
    line = _carried_on(history, check, [one for one, _ in found], [p for _, p in found], steps)
    return line if line is not None else _from_few([p for _, p in found])


def _carried_on(
    history: SieveHistory,
    check: Check,
    earlier: list[Check],
    points: list[Point],
    steps: Sequence[Step],
) -> Prior | None:
    if len(points) < ENOUGH:
        return None
    parts = [part_of(one, steps) for one in earlier]
    if part_of(check, steps) != parts[-1]:
        return None  # a step lies between: the level may be another
    by_uses = bool(history.uses)
    start = earlier[0].on_date

    def place(one: Check) -> float:
        if by_uses:
            return uses_before(history, one.on_date, one.seq) / 1000
        return (one.on_date - start).days / 365.25

    there = sorted(set(parts))
    levels = [[1.0 if part == one else 0.0 for part in parts] for one in there]
    line = fit(np.column_stack([*levels, [place(one) for one in earlier]]), points)
    if line is None or line.dof < 1:
        return None
    row = np.zeros(len(line.beta))
    row[len(there) - 1], row[-1] = 1.0, place(check)
    value, u = line.at(row)
    return Prior(value, u, points[-1].group)


def _from_few(points: list[Point]) -> Prior:
    values = [p.value for p in points]
    last = points[-1]
    own = math.hypot(last.u, last.common)
    change = max(max(values) - min(values), 3 * own)
    return Prior(last.value, math.hypot(own, change), last.group)


def risk_of(prior: Prior, measured: Point, low: float | None, high: float | None) -> float:
    """Specific risk of a value with its prior; the scale both lean on counts once."""
    u = math.hypot(measured.u, measured.common)
    shared = measured.common if prior.group == measured.group else 0.0
    # A line through many checks by one scale is never better than that scale, but rounding is.
    shared = min(shared, 0.999 * prior.u_um, 0.999 * u)
    return specific_risk(
        Normal(measured.value, u), low, high, Normal(prior.value_um, prior.u_um), shared
    )
