"""The control chart of a check standard: a sieve kept for control, checked now and then.

Shewhart chart of single values after ISO 7870-2:2013, from memory. The first values, taken while
all was in order, give centre line and scatter; later ones are compared with them:

    centre  m = mean of the first B values,  σ = mean moving range / 1.128      (d₂ of two values)
    limits  m ± 3 σ

* a value beyond a limit;
* a run of seven values on one side of the centre line;
* a trend of seven values that all rise, or all fall.

σ is at least the standard uncertainty that differs from check to check, so that a few alike values
make no alarm; what stays the same, such as the artefact's certificate, shows in no chart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from statistics import fmean

from sieve_inspect.errors import UsageError
from sieve_registry.outlook.cloth_history import check_point, cloth_history
from sieve_registry.outlook.queries import sieve_data
from sieve_registry.store.engine import Registry

LEAST_FIRST = 5  # values of the base; fewer give no scatter worth the name
_RUN = 7
_D2 = 1.128  # mean range of two normal values in standard deviations


@dataclass(frozen=True)
class ChartPoint:
    """A check on the chart, um; `base` where it helped to set the limits, with its alarms."""

    check_id: str
    on_date: date
    value_um: float
    base: bool
    alarms: tuple[str, ...] = ()


@dataclass(frozen=True)
class ControlChart:
    """The chart of one direction's mean, um; limits are None while the base is too short."""

    direction: str
    points: tuple[ChartPoint, ...]
    centre_um: float | None = None
    sigma_um: float | None = None

    @property
    def limits_um(self) -> tuple[float, float] | None:
        """Lower and upper control limit."""
        if self.centre_um is None or self.sigma_um is None:
            return None
        return self.centre_um - 3 * self.sigma_um, self.centre_um + 3 * self.sigma_um

    @property
    def alarms(self) -> tuple[ChartPoint, ...]:
        """The points that warn."""
        return tuple(point for point in self.points if point.alarms)


def control_charts(
    registry: Registry, sieve_id: str, *, base: int = LEAST_FIRST, day: date | None = None
) -> tuple[ControlChart, ControlChart]:
    """The charts of a sieve's means in x and y, from the checks of its cloth up to a day.

    Raises `UnknownSieveError`, `UsageError` for a base of fewer than five.
    """
    if base < LEAST_FIRST:
        raise UsageError(message=f"A control chart needs a base of {LEAST_FIRST} checks or more.")
    data = sieve_data(registry, sieve_id, day)
    checks = cloth_history(data.history, data.state.as_of, data.scales).checks
    charts = []
    for direction in "xy":
        rows = [
            (check, point)
            for check in checks
            if (point := check_point(check, "mean", direction, data.scales)) is not None
        ]
        values = [point.value for _, point in rows]
        known = [point.u for _, point in rows[:base]]
        centre, sigma = base_of(values[:base], known) if len(rows) >= base else (None, None)
        alarms = alarms_of(values, centre, sigma, base)
        points = tuple(
            ChartPoint(check.id, check.on_date, point.value, number < base, alarms[number])
            for number, (check, point) in enumerate(rows)
        )
        charts.append(ControlChart(direction, points, centre, sigma))
    x, y = charts
    return x, y


def base_of(values: Sequence[float], u: Sequence[float]) -> tuple[float, float]:
    """Centre line and σ from the first values and the standard uncertainty of each alone."""
    ranges = [abs(after - before) for before, after in pairwise(values)]
    return fmean(values), max(fmean(ranges) / _D2, math.sqrt(fmean(part**2 for part in u)))


def alarms_of(
    values: Sequence[float], centre: float | None, sigma: float | None, base: int
) -> list[tuple[str, ...]]:
    """What each value warns of; none within the base, nor before it is complete."""
    if centre is None or sigma is None:
        return [()] * len(values)
    return [
        tuple(_alarms(values[: n + 1], centre, sigma)) if n >= base else ()
        for n in range(len(values))
    ]


def _alarms(values: Sequence[float], centre: float, sigma: float) -> Iterator[str]:
    """The rules that the last of these values breaks."""
    if abs(values[-1] - centre) > 3 * sigma:
        yield "beyond 3 σ"
    run = [value - centre for value in values[-_RUN:]]
    if len(run) < _RUN:
        return
    if all(off > 0 for off in run) or all(off < 0 for off in run):
        yield f"{_RUN} in a row on one side"
    steps = [after - before for before, after in pairwise(run)]
    if all(step > 0 for step in steps) or all(step < 0 for step in steps):
        yield f"{_RUN} in a row {'rising' if steps[0] > 0 else 'falling'}"
