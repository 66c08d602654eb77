"""Wear per use told apart by the way of sieving.

    mean = a_k + Σ_m b_m t_m          t_m: uses logged with method m

so that each method has its own wear per use, with its interval; two methods are told apart by the
interval of their difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from sieve_registry.events import ClothReplaced
from sieve_registry.outlook.straight_line import Fit, fit
from sieve_registry.outlook.wear import ScaleShare, checks_of_cloth, part_of, point_of
from sieve_registry.records import Check, Fact, SieveHistory

__all__ = ["MethodDifference", "MethodWear", "Methods", "methods_of"]

NOT_STATED = "not stated"


@dataclass(frozen=True)
class MethodWear:
    """Change of the mean by one way of sieving, um per 1000 uses, with 95 % interval."""

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
    def plain(self) -> bool:
        """Whether the two can be told apart."""
        return self.low * self.high > 0


@dataclass(frozen=True)
class Methods:
    """The comparison in one direction; `problem` says why there is none."""

    direction: str
    wear: tuple[MethodWear, ...] = ()
    differences: tuple[MethodDifference, ...] = ()
    problem: str = ""


def methods_of(
    history: SieveHistory,
    day: date,
    scales: ScaleShare,
    replaced: Sequence[Fact[ClothReplaced]] = (),
) -> tuple[Methods, ...]:
    """Wear per use by sieving method for x and y; empty where no use carries a method."""
    uses = [use for use in history.uses if use.on_date <= day]
    if not any(use.details.method for use in uses):
        return ()
    checks, steps = checks_of_cloth(history, day, replaced)
    names = sorted({use.details.method or NOT_STATED for use in uses})
    counts = {check.id: _counted(history, check) for check in checks}
    parts = [part_of(check, steps) for check in checks]
    there = sorted(set(parts))
    levels = [[1.0 if part == one else 0.0 for part in parts] for one in there]
    slopes = [[counts[check.id].get(name, 0) / 1000 for check in checks] for name in names]
    found = []
    for direction in "xy":
        points = [
            point_of(check, "mean", direction, scales[check.id]["xy".index(direction)])
            for check in checks
        ]
        known = [p for p in points if p is not None]
        needed = len(there) + len(names) + 1
        if len(known) != len(checks) or len(checks) < needed:
            problem = f"not enough: {len(checks)} checks, {needed} are needed for {len(names)} ways"
            found.append(Methods(direction, problem=problem))
            continue
        line = fit(np.column_stack([*levels, *slopes]), known)
        found.append(_compared(direction, names, history, day, line))
    return tuple(found)


def _counted(history: SieveHistory, check: Check) -> dict[str, int]:
    """Uses by method that were logged before a check."""
    counts: dict[str, int] = {}
    for use in history.uses:
        if (use.on_date, use.seq) < (check.on_date, check.seq):
            name = use.details.method or NOT_STATED
            counts[name] = counts.get(name, 0) + use.count
    return counts


def _compared(
    direction: str, names: list[str], history: SieveHistory, day: date, line: Fit | None
) -> Methods:
    if line is None:
        problem = "not enough: the ways were always used in the same proportion"
        return Methods(direction, problem=problem)
    first = len(line.beta) - len(names)
    wear = []
    for i, name in enumerate(names):
        low, high = line.interval(first + i)
        uses = sum(
            use.count
            for use in history.uses
            if use.on_date <= day and (use.details.method or NOT_STATED) == name
        )
        wear.append(MethodWear(name, uses, float(line.beta[first + i]), low, high))
    pairs = [
        _difference(line, first, names, i, k)
        for i in range(len(names))
        for k in range(i + 1, len(names))
    ]
    return Methods(direction, tuple(wear), tuple(pairs))


def _difference(line: Fit, first: int, names: list[str], i: int, k: int) -> MethodDifference:
    contrast = np.zeros(len(line.beta))
    contrast[first + i], contrast[first + k] = 1.0, -1.0
    value, u = line.at(contrast)
    half = line.quantile * u
    assert math.isfinite(half)
    return MethodDifference(names[i], names[k], value, value - half, value + half)
