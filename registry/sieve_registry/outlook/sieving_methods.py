"""Wear per use by sieving method.

    mean = a_k + Σ_m b_m t_m          t_m: uses logged with method m

so that each method has its own wear per use, with its interval; two methods differ where the
interval of their difference excludes zero.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np

from sieve_registry.ledger.records import SieveHistory, Use
from sieve_registry.outlook.cloth_history import (
    Instruments,
    check_point,
    cloth_history,
    moment,
)
from sieve_registry.outlook.straight_line import Fit, fit, line_design


@dataclass(frozen=True)
class MethodWear:
    """Change of the mean by a sieving method, um per 1000 uses, with 95 % interval."""

    method: str
    uses: int
    slope: float
    low: float
    high: float


@dataclass(frozen=True)
class MethodDifference:
    """How much more one method changes the mean than another, um per 1000 uses."""

    method: str
    other: str
    difference: float
    low: float
    high: float

    @property
    def significant(self) -> bool:
        """Whether the two methods differ: the 95 % interval excludes zero."""
        return self.low * self.high > 0


@dataclass(frozen=True)
class MethodComparison:
    """The comparison in one direction; `problem` is the reason where there is none."""

    direction: str
    wear: tuple[MethodWear, ...] = ()
    differences: tuple[MethodDifference, ...] = ()
    problem: str = ""


def compare_methods(
    history: SieveHistory, day: date, scales: Instruments
) -> tuple[MethodComparison, ...]:
    """Wear per use by sieving method for x and y; empty where no use carries a method."""
    uses = [use for use in history.uses if use.on_date <= day]
    if not any(use.details.method for use in uses):
        return ()
    totals = _by_method(uses)
    names = sorted(totals)
    cloth = cloth_history(history, day, scales)
    before = [
        _by_method([use for use in history.uses if moment(use) < moment(check)])
        for check in cloth.checks
    ]
    slopes = [[counts[name] / 1000 for counts in before] for name in names]
    needed = len(set(cloth.parts)) + len(names) + 1
    comparisons = []
    for direction in "xy":
        points = [check_point(check, "mean", direction, scales) for check in cloth.checks]
        known = [point for point in points if point is not None]
        if len(known) != len(points) or len(points) < needed:
            problem = (
                f"not enough: {len(points)} checks, {needed} are needed for {len(names)} methods"
            )
            comparisons.append(MethodComparison(direction, problem=problem))
            continue
        line = fit(line_design(cloth.parts, *slopes), known)
        comparisons.append(_comparison(direction, totals, line))
    return tuple(comparisons)


def _by_method(uses: list[Use]) -> Counter[str]:
    """The number of uses by method."""
    counts: Counter[str] = Counter()
    for use in uses:
        counts[use.details.method or "not stated"] += use.count
    return counts


def _comparison(direction: str, totals: Counter[str], line: Fit | None) -> MethodComparison:
    if line is None:
        problem = "not enough: the methods were always used in the same proportion"
        return MethodComparison(direction, problem=problem)
    names = sorted(totals)
    first = len(line.beta) - len(names)
    wear = [
        MethodWear(name, totals[name], float(line.beta[i]), *line.interval(i))
        for i, name in enumerate(names, start=first)
    ]
    differences = [
        _difference(line, first, names, i, k) for i, k in combinations(range(len(names)), 2)
    ]
    return MethodComparison(direction, tuple(wear), tuple(differences))


def _difference(line: Fit, first: int, names: list[str], i: int, k: int) -> MethodDifference:
    contrast = np.zeros(len(line.beta))
    contrast[first + i], contrast[first + k] = 1.0, -1.0
    value, u = line.at(contrast)
    half = line.quantile * u
    assert math.isfinite(half)
    return MethodDifference(names[i], names[k], value, value - half, value + half)
