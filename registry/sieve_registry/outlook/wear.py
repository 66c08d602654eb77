"""How a sieve wears: its checks against uses and time, and when a limit will be reached.

Each of mean, standard deviation and largest aperture, in x and y, is a line over the uses logged
(days where none are). A replaced cloth begins a new history; a cleaning or another scale may move
the level but not the wear per use, so each gives the line a step of its own.

    value = a_k + b t            k: the part between steps        (see `line`)
    reached where a_last + b t = limit ∓ w,  w = guard band of the last check

The scale's share of a check's uncertainty is common to all checks by that scale, the rest is
taken as independent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.verdict.rules import Rule
from sieve_registry import events
from sieve_registry.outlook.straight_line import Crossing, Fit, Point, crossing, fit
from sieve_registry.records import Check, Fact, SieveHistory

__all__ = [
    "CLOTH_REPLACED",
    "ENOUGH",
    "Bounds",
    "Reach",
    "ScaleShare",
    "Step",
    "Trend",
    "Wear",
    "checks_of_cloth",
    "part_of",
    "point_of",
    "recent_rate",
    "steps_of",
    "uses_before",
    "wear_of",
]

Float = NDArray[np.float64]
ENOUGH = 3  # a line through two checks says nothing of how well it fits
_RECENT_DAYS = 365  # the rate of use is that of the last year
_NAMES = ("mean", "standard deviation", "largest aperture")
CLOTH_REPLACED = events.ClothReplaced.KIND

# Relative standard uncertainty of a check's scale in x and y, by check id.
ScaleShare = Mapping[str, tuple[float, float]]
# Lower and upper limit in um (None: no limit) by name and direction, as a check applied them.
Bounds = Mapping[tuple[str, str], tuple[float | None, float | None]]


@dataclass(frozen=True)
class Step:
    """A day from which a line may stand at another level, and why."""

    on_date: date
    seq: int
    reason: str
    new_cloth: bool = False


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

    `problem` says why there is no line or no day; then the fields it concerns are None.
    """

    name: str
    direction: str
    checks: int
    now_um: float | None = None
    u_now_um: float | None = None
    slope: float | None = None
    slope_low: float | None = None
    slope_high: float | None = None
    widened: float = 1.0
    reach: Reach | None = None
    reached_already: bool = False
    beyond: bool = False  # reached already, and over the limit itself
    problem: str = ""

    @property
    def stands(self) -> str:
        """Where a line that has reached its limit less the guard band stands, in words."""
        return f"stands {'beyond its limit' if self.beyond else 'within its guard band'}"

    @property
    def plain(self) -> bool:
        """Whether the slope can be told from zero."""
        return (
            self.slope_low is not None
            and self.slope_high is not None
            and self.slope_low * self.slope_high > 0
        )


@dataclass(frozen=True)
class Wear:
    """All lines of a sieve, what divides its history, and what it comes to."""

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
        """The line whose limit is reached first, or None."""
        going = [t for t in self.trends if t.reach is not None]
        return min(going, key=lambda t: t.reach.at if t.reach else math.inf, default=None)

    @property
    def reached(self) -> tuple[Trend, ...]:
        """The lines that stand beyond their limit less the guard band already."""
        return tuple(t for t in self.trends if t.reached_already)

    @property
    def split(self) -> bool:
        """Whether one direction widens while the other narrows."""
        means = [t for t in self.trends if t.name == "mean" and t.plain]
        return len(means) == 2 and (means[0].slope or 0) * (means[1].slope or 0) < 0


def steps_of(
    history: SieveHistory, day: date, replaced: Sequence[Fact[events.ClothReplaced]] = ()
) -> list[Step]:
    """What divides a sieve's history up to a day: new cloth, cleanings, other scales."""
    found = [Step(f.on_date, f.seq, CLOTH_REPLACED, new_cloth=True) for f in replaced]
    for act in history.acts:
        if isinstance(act.payload, events.SieveCleaned):
            found.append(Step(act.on_date, act.seq, "cleaned"))
    found = [step for step in found if step.on_date <= day]
    source: str | None = None
    for check in _in_order(history, day):
        if source is not None and check.scale_source != source:
            found.append(Step(check.on_date, check.seq - 1, "another scale"))
        source = check.scale_source or source
    return sorted(found, key=lambda step: (step.on_date, step.seq))


def _in_order(history: SieveHistory, day: date) -> list[Check]:
    kept = [check for check in history.checks if check.on_date <= day]
    return sorted(kept, key=lambda check: (check.on_date, check.seq))


def checks_of_cloth(
    history: SieveHistory, day: date, replaced: Sequence[Fact[events.ClothReplaced]] = ()
) -> tuple[list[Check], list[Step]]:
    """The checks of the cloth now in the frame, and the steps since it came."""
    steps = steps_of(history, day, replaced)
    last_new = max((i for i, step in enumerate(steps) if step.new_cloth), default=-1)
    checks = _in_order(history, day)
    if last_new >= 0:
        begun = steps[last_new]
        checks = [c for c in checks if (c.on_date, c.seq) > (begun.on_date, begun.seq)]
    return checks, steps[last_new + 1 :]


def uses_before(history: SieveHistory, day: date, seq: int | None = None) -> int:
    """Uses logged up to a day; on that very day those recorded before `seq`."""
    return sum(
        use.count
        for use in history.uses
        if use.on_date < day or (use.on_date == day and (seq is None or use.seq < seq))
    )


def recent_rate(history: SieveHistory, day: date) -> float | None:
    """Uses per day over the last year, or since the first use if that is later; None unknown."""
    uses = [use for use in history.uses if use.on_date <= day]
    if not uses:
        return None
    first = min(use.on_date for use in uses)
    begin = max(first, day - timedelta(days=_RECENT_DAYS))
    days = (day - begin).days
    # Uses of the first day belong to the time before it; without a span there is no rate.
    count = sum(use.count for use in uses if use.on_date > begin)
    return count / days if days > 0 and count else None


def wear_of(
    history: SieveHistory,
    day: date,
    bounds: Bounds,
    rule: Rule,
    scales: ScaleShare,
    replaced: Sequence[Fact[events.ClothReplaced]] = (),
) -> Wear:
    """The wear of a sieve as its checks up to `day` show it, against the limits given."""
    checks, steps = checks_of_cloth(history, day, replaced)
    by_uses = any(use.on_date <= day for use in history.uses)
    rate = recent_rate(history, day) if by_uses else 1.0
    start = checks[0].on_date if checks else day

    def place(on: date, seq: int | None) -> float:
        return float(uses_before(history, on, seq)) if by_uses else float((on - start).days)

    parts = [part_of(check, steps) for check in checks]
    now = place(day, None)
    axis = _Axis(
        t=np.array([place(check.on_date, check.seq) for check in checks]),
        parts=parts,
        now=now,
        rate=rate,
        day=day,
        per=1000.0 if by_uses else 365.25,
    )
    trends = [
        _trend(name, direction, checks, axis, bounds[name, direction], rule, scales)
        for name in _NAMES
        for direction in "xy"
        if (name, direction) in bounds
    ]
    return Wear(
        sieve_id=history.sieve.id,
        as_of=day,
        by_uses=by_uses,
        at=now,
        rate_per_year=None if not by_uses or rate is None else rate * 365.25,
        steps=tuple(steps_of(history, day, replaced)),
        checks=tuple(checks),
        places=tuple(axis.t.tolist()),
        trends=tuple(trends),
    )


@dataclass(frozen=True, eq=False)
class _Axis:
    t: Float
    parts: list[int]
    now: float
    rate: float | None
    day: date
    per: float

    def design(self) -> Float:
        """One column for each part that has a check, and the uses (in units of `per`) last."""
        there = sorted(set(self.parts))
        columns = [[1.0 if part == one else 0.0 for part in self.parts] for one in there]
        return np.column_stack([*columns, self.t / self.per])


def part_of(check: Check, steps: Sequence[Step]) -> int:
    """How many steps came before a check: the part of the history it belongs to."""
    return sum((step.on_date, step.seq) < (check.on_date, check.seq) for step in steps)


def point_of(check: Check, name: str, direction: str, u_rel: float) -> Point | None:
    """One value of a check with its own and its scale's uncertainty, in um; None if unknown."""
    figures = check.x if direction == "x" else check.y
    value, u = {
        "mean": (figures.mean_um, figures.u_mean_um),
        "standard deviation": (figures.sd_um, figures.u_sd_um),
        "largest aperture": (figures.max_um, figures.u_max_um),
    }[name]
    if value is None or u is None:
        return None
    whole = float(u)
    common = min(u_rel * abs(float(value)), 0.999 * whole)
    own = math.sqrt(max(whole**2 - common**2, 0.0))
    return Point(float(value), own, common, check.scale_source or "unknown scale")


def _trend(
    name: str,
    direction: str,
    checks: Sequence[Check],
    axis: _Axis,
    bounds: tuple[float | None, float | None],
    rule: Rule,
    scales: ScaleShare,
) -> Trend:
    found = [
        (i, point)
        for i, check in enumerate(checks)
        if (point := point_of(check, name, direction, scales[check.id]["xy".index(direction)]))
    ]
    empty = Trend(name, direction, len(found))
    if len(found) < ENOUGH:
        number = {0: "no check", 1: "one check"}.get(len(found), f"{len(found)} checks")
        problem = f"not enough: {number} of this cloth, at least {ENOUGH} are needed"
        if len(found) < len(checks):
            problem = (
                f"not enough: of the {len(checks)} checks of this cloth "
                f"{len(found) or 'none'} gave it with its uncertainty, {ENOUGH} are needed"
            )
        return replace(empty, problem=problem)
    kept = [i for i, _ in found]
    own = replace(axis, t=axis.t[kept], parts=[axis.parts[i] for i in kept])
    line = fit(own.design(), [point for _, point in found])
    if line is None or line.dof < 1:
        return replace(empty, problem="not enough: no two checks with uses between them, unbroken")
    return _forecast(empty, line, own, found[-1][1], bounds, rule)


def _forecast(
    empty: Trend,
    line: Fit,
    axis: _Axis,
    last: Point,
    bounds: tuple[float | None, float | None],
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
        widened=line.widened,
    )
    band = rule.factor * 2 * math.hypot(last.u, last.common)
    lower, upper = bounds
    if _outside(now, lower, upper, band):
        return replace(trend, reached_already=True, beyond=_outside(now, lower, upper, 0.0))
    if not trend.plain:
        return replace(trend, problem="its change cannot be told from none yet")
    rising = float(line.beta[p - 1]) > 0
    limit = upper if rising else lower
    if limit is None:
        way = "larger" if rising else "smaller"
        return replace(trend, problem=f"it becomes {way}, and nothing limits that")
    level = limit - band if rising else limit + band
    reached = crossing(line, start, slope, level)
    if reached is None:
        return replace(trend, problem="its change cannot be told from none yet")
    return replace(trend, reach=_reach(reached, level, axis))


def _outside(value: float, lower: float | None, upper: float | None, band: float) -> bool:
    """Whether a value lies outside its limits less a band, um."""
    over = upper is not None and value > upper - band
    return over or (lower is not None and value < lower + band)


def _reach(found: Crossing, level: float, axis: _Axis) -> Reach:
    at, low, high = (t * axis.per for t in (found.best, found.low, found.high))
    days = [_day_of(t, axis) for t in (at, low, high)]
    return Reach(level, at, low, high, days[0], days[1], days[2])


def _day_of(t: float, axis: _Axis) -> date | None:
    """The day on which the uses reach t at the recent rate; never before today."""
    if axis.rate is None:
        return None
    try:
        return axis.day + timedelta(days=max(0, round((t - axis.now) / axis.rate)))
    except OverflowError:
        return date.max
