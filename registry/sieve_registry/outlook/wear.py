"""How a sieve wears: its checks against uses and time, and when a limit will be reached.

Mean, standard deviation and largest aperture, in x and y, each follow a line over the uses logged
(over days where no uses are logged):

    value = a_k + b t            k: the part of the cloth's history   (see `straight_line`)
                                 certificates of a laboratory: a part of their own
    limit reached where a_last + b t = limit ∓ w,  w = guard band of the last check

Where checks show the same places of the cloth, the slope of the mean is that of the changes there
(see `changes`), if it is known better so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from itertools import product

import numpy as np

from sieve_inspect.verdict.rules import Rule
from sieve_registry.ledger.records import Check, SieveHistory
from sieve_registry.outlook.changes import (
    NO_LINKS,
    ClothLinks,
    Linked,
    line_by_changes,
    of_cloth,
)
from sieve_registry.outlook.cloth_history import (
    DAYS_PER_YEAR,
    Instrument,
    Instruments,
    Step,
    all_steps,
    certificate_parts,
    certificates_of_cloth,
    check_point,
    cloth_history,
    elapsed,
    part_index,
    recent_rate,
)
from sieve_registry.outlook.straight_line import Fit, Point, crossing, fit, line_design

LEAST_CHECKS = 3  # two points always fit a line exactly
_NAMES = ("mean", "standard deviation", "largest aperture")
_NO_CHANGE = "no significant change yet"


class WearEvidence(StrEnum):
    """What a trend is drawn through."""

    MEANS = "means"
    CHANGES = "changes of common apertures"


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
    `by_means` is the line through the means alone where `evidence` are `changes` of so many checks.
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
    evidence: WearEvidence = WearEvidence.MEANS
    changes: int = 0
    by_means: Trend | None = None

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
    """All lines of a sieve, its checks, and the steps in its history.

    `checks` and `scales` have x and y of the cloth: `exchanged` are checks that were recorded a
    quarter turn from it. `links` are the changes since earlier checks, by check. `certificates` are
    those of the cloth in the form of checks, with their places.
    """

    sieve_id: str
    as_of: date
    by_uses: bool
    at: float  # uses, or days, on that day
    rate_per_year: float | None
    steps: tuple[Step, ...]
    checks: tuple[Check, ...]
    places: tuple[float, ...]  # uses, or days, at each check
    trends: tuple[Trend, ...]
    exchanged: tuple[str, ...] = ()
    links: ClothLinks = field(default_factory=dict)
    scales: Instruments = field(default_factory=dict)
    certificates: tuple[Check, ...] = ()
    certificate_places: tuple[float, ...] = ()

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
    history: SieveHistory,
    day: date,
    bounds: Bounds,
    rule: Rule,
    scales: Instruments,
    links: ClothLinks = NO_LINKS,
) -> Wear:
    """The wear of a sieve by its checks up to `day`, against the limits given.

    `links` are changes since earlier checks, by check. Certificates of the cloth keep their own U
    and, by laboratory, a level of their own: what they differ from the checks by is the difference
    of two instruments and no wear.
    """
    stated = certificates_of_cloth(history, day)
    cloth = cloth_history(history, day, scales)
    linked = Linked.of(cloth.checks, links)
    checks = tuple(of_cloth(c, n in linked.exchanged) for n, c in enumerate(cloth.checks))
    exchanged = tuple(checks[number].id for number in sorted(linked.exchanged))
    by_uses = any(use.on_date <= day for use in history.uses)
    rate = recent_rate(history, day) if by_uses else 1.0
    start = min((c.on_date for c in (checks or stated)), default=day)
    worn = Wear(
        sieve_id=history.sieve.id,
        as_of=day,
        by_uses=by_uses,
        at=elapsed(history, start, day, None, by_uses=by_uses),
        rate_per_year=None if not by_uses or rate is None else rate * DAYS_PER_YEAR,
        steps=tuple(all_steps(history, day, scales)),
        checks=checks,
        places=tuple(elapsed(history, start, c.on_date, c.seq, by_uses=by_uses) for c in checks),
        trends=(),
        certificates=tuple(stated),
        certificate_places=tuple(
            elapsed(history, start, c.on_date, c.seq, by_uses=by_uses) for c in stated
        ),
        exchanged=exchanged,
        links={check.id: links[check.id] for check in checks if check.id in links},
        scales={
            check.id: scales[check.id].of_cloth(check.id in exchanged)
            for check in checks
            if check.id in scales
        },
    )
    axis = _Axis(worn.at, rate, day, per=1000.0 if by_uses else DAYS_PER_YEAR)
    trends = [
        _trend(worn, name, direction, axis, bounds[name, direction], rule)
        for name, direction in product(_NAMES, "xy")
        if (name, direction) in bounds
    ]
    return replace(worn, trends=tuple(trends))


@dataclass(frozen=True)
class _Axis:
    """Uses (or days) now, with the rate per day and the unit of a slope."""

    now: float
    rate: float | None
    day: date
    per: float


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines of a value over uses (days) divided by a unit: through means, by changes.

    Those parameters before the last are the levels of parts, the last the slope. `last` is the
    newest value, `known` how many there are, `changes` the number behind the second line.
    """

    means: Fit | None
    changes: Fit | None
    last: Point | None
    known: int
    number_of_changes: int


def lines_of(worn: Wear, name: str, direction: str, per: float = 1.0) -> Lines:
    """The lines of one value; None where there is not enough for a line."""
    t = np.array(worn.places) / per
    parts = [part_index(check, worn.steps) for check in worn.checks]
    points = [check_point(c, name, direction, worn.scales, worn.checks[-1]) for c in worn.checks]
    own = [(p, at, k) for p, at, k in zip(points, t, parts, strict=True) if p is not None]
    seen = [check_point(c, name, direction, {c.id: Instrument()}) for c in worn.certificates]
    where = np.array(worn.certificate_places) / per
    apart = certificate_parts(worn.certificates, worn.steps)
    stated = [(p, *at) for p, *at in zip(seen, where, apart, strict=True) if p is not None]
    if not own and not stated:
        return Lines(None, None, None, 0, 0)
    by_means = None
    if len(own) + len(stated) >= LEAST_CHECKS:
        known, places, levels = zip(*stated, *own, strict=True)
        by_means = fit(line_design(levels, places), known)
    linked = Linked.of(worn.checks, worn.links) if name == "mean" else None
    changes = [] if linked is None else linked.changes(direction)
    by_changes = line_by_changes(changes, t, parts, own)
    if by_means is not None and by_means.dof < 1:
        by_means = None
    last = (own or stated)[-1][0]
    return Lines(by_means, by_changes, last, len(own) + len(stated), len(changes))


def _trend(worn: Wear, name: str, direction: str, axis: _Axis, bound: Bound, rule: Rule) -> Trend:
    lines = lines_of(worn, name, direction, axis.per)
    by_means = Trend(name, direction, lines.known)
    if lines.known < LEAST_CHECKS or lines.last is None:
        by_means = replace(
            by_means, problem=_too_few(lines.known, len(worn.checks) + len(worn.certificates))
        )
    elif lines.means is None:
        problem = "not enough: no two checks with uses between them and no step"
        by_means = replace(by_means, problem=problem)
    else:
        by_means = _forecast(by_means, lines.means, axis, lines.last, bound, rule)
    if lines.changes is None or lines.last is None or not _better(lines.changes, lines.means):
        return by_means
    empty = Trend(
        name,
        direction,
        lines.known,
        evidence=WearEvidence.CHANGES,
        changes=lines.number_of_changes,
        by_means=by_means,
    )
    return _forecast(empty, lines.changes, axis, lines.last, bound, rule)


def _better(line: Fit, other: Fit | None) -> bool:
    """Whether the slope of a line is known better than that of another."""
    if other is None:
        return True
    widths = [
        high - low for high, low in (f.interval(len(f.beta) - 1)[::-1] for f in (line, other))
    ]
    return widths[0] < widths[1]


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
