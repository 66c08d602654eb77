"""How a sieve wears: its checks against uses and time, and when a limit will be reached.

Mean, standard deviation and largest aperture, in x and y, each follow a line over the uses logged
(over days where no uses are logged):

    value = a_k + b t            k: the part of the cloth's history   (see `straight_line`)
    limit reached where a_last + b t = limit ∓ w,  w = guard band of the last check
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.verdict.rules import Rule
from sieve_registry.outlook.cloth_history import (
    DAYS_PER_YEAR,
    Instruments,
    Step,
    all_steps,
    check_point,
    cloth_history,
    elapsed,
    recent_rate,
)
from sieve_registry.outlook.straight_line import Fit, Point, crossing, fit, line_design
from sieve_registry.records import Check, SieveHistory

Float = NDArray[np.float64]
LEAST_CHECKS = 3  # two points always fit a line exactly
_NAMES = ("mean", "standard deviation", "largest aperture")
_NO_CHANGE = "no significant change yet"


@dataclass(frozen=True)
class Bound:
    """Lower and upper limit of a value, um (None: no limit), as a check applied them.

    `k` is the coverage factor of that check's value, at `dof` effective degrees of freedom.
    """

    low: float | None
    high: float | None
    k: float = 2.0
    dof: float = math.inf


Bounds = Mapping[tuple[str, str], Bound]  # by name and direction


@dataclass(frozen=True)
class Reach:
    """When a line reaches its limit less the guard band: uses (or days) in all, and the day.

    `low` and `high` bound the 95 % interval; days are None where the rate of use is not known.
    """

    limit_um: float
    at: float
    low: float
    high: float
    day: date | None
    day_low: date | None
    day_high: date | None


@dataclass(frozen=True)
class Trend:
    """One value's line. `slope` is um per 1000 uses (per year without uses), with 95 % interval.

    `scatter_factor` over 1: the results vary more than their uncertainty, and the intervals are
    widened by it. `problem` is the reason why there is no line or no day; those fields are None.
    """

    name: str
    direction: str
    checks: int
    now_um: float | None = None
    u_now_um: float | None = None
    slope: float | None = None
    slope_low: float | None = None
    slope_high: float | None = None
    scatter_factor: float = 1.0
    reach: Reach | None = None
    reached_already: bool = False
    beyond_limit: bool = False  # also outside the limit itself
    problem: str = ""

    @property
    def position(self) -> str:
        """Where a value is that has reached its acceptance limit."""
        return "beyond its limit" if self.beyond_limit else "within its guard band"

    @property
    def significant(self) -> bool:
        """Whether the 95 % interval of the slope excludes zero."""
        low, high = self.slope_low, self.slope_high
        return low is not None and high is not None and low * high > 0


@dataclass(frozen=True)
class Wear:
    """All lines of a sieve, its checks, and the steps in its history."""

    sieve_id: str
    as_of: date
    by_uses: bool
    at: float  # uses, or days, on that day
    rate_per_year: float | None
    steps: tuple[Step, ...]
    checks: tuple[Check, ...]
    places: tuple[float, ...]  # uses, or days, at each check
    trends: tuple[Trend, ...]

    @property
    def first(self) -> Trend | None:
        """The line that reaches its acceptance limit first, or None."""
        reaching = [(trend.reach.at, trend) for trend in self.trends if trend.reach is not None]
        return min(reaching, key=lambda entry: entry[0])[1] if reaching else None

    @property
    def reached(self) -> tuple[Trend, ...]:
        """The lines that are beyond their acceptance limit already."""
        return tuple(t for t in self.trends if t.reached_already)

    @property
    def directions_diverge(self) -> bool:
        """Whether one direction widens while the other narrows."""
        means = [t for t in self.trends if t.name == "mean" and t.significant]
        return len(means) == 2 and (means[0].slope or 0) * (means[1].slope or 0) < 0


def analyse_wear(
    history: SieveHistory, day: date, bounds: Bounds, rule: Rule, scales: Instruments
) -> Wear:
    """The wear of a sieve by its checks up to `day`, against the limits given."""
    cloth = cloth_history(history, day, scales)
    checks = cloth.checks
    by_uses = any(use.on_date <= day for use in history.uses)
    rate = recent_rate(history, day) if by_uses else 1.0
    start = checks[0].on_date if checks else day
    places = [elapsed(history, start, c.on_date, c.seq, by_uses=by_uses) for c in checks]
    axis = _Axis(
        t=np.array(places),
        parts=cloth.parts,
        now=elapsed(history, start, day, None, by_uses=by_uses),
        rate=rate,
        day=day,
        per=1000.0 if by_uses else DAYS_PER_YEAR,
    )
    trends = []
    for name, direction in product(_NAMES, "xy"):
        if (name, direction) in bounds:
            points = [check_point(c, name, direction, scales, checks[-1]) for c in checks]
            empty = Trend(name, direction, sum(point is not None for point in points))
            trends.append(_trend(empty, points, axis, bounds[name, direction], rule))
    return Wear(
        sieve_id=history.sieve.id,
        as_of=day,
        by_uses=by_uses,
        at=axis.now,
        rate_per_year=None if not by_uses or rate is None else rate * DAYS_PER_YEAR,
        steps=tuple(all_steps(history, day, scales)),
        checks=checks,
        places=tuple(places),
        trends=tuple(trends),
    )


@dataclass(frozen=True, eq=False)
class _Axis:
    """Uses (or days) at the checks and now, with the rate per day and the unit of a slope."""

    t: Float
    parts: list[int]
    now: float
    rate: float | None
    day: date
    per: float


def _trend(
    empty: Trend,
    points: Sequence[Point | None],
    axis: _Axis,
    bound: Bound,
    rule: Rule,
) -> Trend:
    known = [(i, point) for i, point in enumerate(points) if point is not None]
    if len(known) < LEAST_CHECKS:
        return replace(empty, problem=_too_few(len(known), len(points)))
    kept = [i for i, _ in known]
    axis = replace(axis, t=axis.t[kept], parts=[axis.parts[i] for i in kept])
    line = fit(line_design(axis.parts, axis.t / axis.per), [point for _, point in known])
    if line is None or line.dof < 1:
        problem = "not enough: no two checks with uses between them and no step"
        return replace(empty, problem=problem)
    return _forecast(empty, line, axis, known[-1][1], bound, rule)


def _too_few(known: int, checks: int) -> str:
    if known < checks:
        return (
            f"not enough: {known or 'none'} of the {checks} checks of this cloth gave this value "
            f"with its uncertainty, {LEAST_CHECKS} are needed"
        )
    number = {0: "no check", 1: "one check"}.get(known, f"{known} checks")
    return f"not enough: {number} of this cloth, at least {LEAST_CHECKS} are needed"


def _forecast(
    empty: Trend,
    line: Fit,
    axis: _Axis,
    last: Point,
    bound: Bound,
    rule: Rule,
) -> Trend:
    p = len(line.beta)
    start, slope = np.zeros(p), np.zeros(p)
    start[p - 2], slope[p - 1] = 1.0, 1.0  # the last part's level
    now, u_now = line.at(start + slope * axis.now / axis.per)
    low, high = line.interval(p - 1)
    trend = replace(
        empty,
        now_um=now,
        u_now_um=u_now,
        slope=float(line.beta[p - 1]),
        slope_low=low,
        slope_high=high,
        scatter_factor=line.scatter_factor,
    )
    band = rule.factor_at(bound.k, bound.dof) * bound.k * math.hypot(last.u, last.common)
    lower, upper = bound.low, bound.high
    if _outside(now, lower, upper, band):
        beyond = _outside(now, lower, upper, 0.0)
        return replace(trend, reached_already=True, beyond_limit=beyond)
    if not trend.significant:
        return replace(trend, problem=_NO_CHANGE)
    rising = float(line.beta[p - 1]) > 0
    limit = upper if rising else lower
    if limit is None:
        change = "increases" if rising else "decreases"
        return replace(trend, problem=f"it {change}, and there is no limit on that side")
    level = limit - band if rising else limit + band
    reached = crossing(line, start, slope, level)
    if reached is None:
        return replace(trend, problem=_NO_CHANGE)
    at, first, last_at = (t * axis.per for t in (reached.best, reached.low, reached.high))
    days = (_day_of(t, axis) for t in (at, first, last_at))
    return replace(trend, reach=Reach(level, at, first, last_at, *days))


def _outside(value: float, lower: float | None, upper: float | None, band: float) -> bool:
    """Whether a value lies outside its limits less a band, um."""
    over = upper is not None and value > upper - band
    return over or (lower is not None and value < lower + band)


def _day_of(t: float, axis: _Axis) -> date | None:
    """The day on which the uses reach t at the recent rate; never before today."""
    if axis.rate is None:
        return None
    try:
        return axis.day + timedelta(days=max(0, round((t - axis.now) / axis.rate)))
    except OverflowError:
        return date.max
