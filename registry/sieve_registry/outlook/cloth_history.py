"""The checks of the cloth now in a frame, their place in use or time, and what divides them.

A replaced cloth begins a new history. A cleaning, another device, scale or lamp may move the level
of the values but not the wear per use, so each begins a new part with a level of its own. They are
recognised by what was used: a scale calibrated again from the same artefact is no other scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from statistics import NormalDist
from typing import TYPE_CHECKING, Protocol

from sieve_inspect.outcomes import OUTCOMES
from sieve_registry.ledger.events import ClothReplaced, SieveCleaned
from sieve_registry.ledger.records import Check, SieveHistory, facts_of_type
from sieve_registry.sieves.certificates import as_check, certificates_of

if TYPE_CHECKING:
    from sieve_registry.outlook.straight_line import Point

DAYS_PER_YEAR = 365.25
CLEANED = "cleaned"  # reason of a step
_STEP_KNOWN = 0.5  # share of a step between counts: real cloth is not quite normal; own figure
_RATE_DAYS = 365  # the rate of use is that of the last year

_BIAS_PX = 0.01  # edge biases that differ by more shift every width: 0.1 um at 4800 dpi
_SCALES_APART = 5e-4  # relative; scales without a chain that differ by more are two


@dataclass(frozen=True)
class Instrument:
    """What a check was measured with, as its record says; "" and None are not known.

    `u_rel` are relative standard uncertainties of its scale in x and y. `rests_on` is the artefact
    of its chain, else the source of a scale without one, whose `um_per_px` then tells it apart.
    `lamp` are lamp and view as stated, or the record they come from.
    """

    u_rel: tuple[float, float] = (0.0, 0.0)
    device: str = ""
    rests_on: str = ""
    um_per_px: tuple[float, float] | None = None
    edge_bias_px: float | None = None
    lamp: str = ""

    def of_cloth(self, exchanged: bool) -> Instrument:
        """The same with x and y of a cloth that lay a quarter turn from its record, or not."""
        return replace(self, u_rel=self.u_rel[::-1]) if exchanged else self

    def change_from(self, before: Instrument) -> str:
        """What differs from an earlier instrument, as far as both are known; "" for nothing."""
        if self.device and before.device and self.device != before.device:
            return "another device"
        if self._other_scale(before):
            return "another scale"
        lamps = self.lamp and before.lamp and self.lamp != before.lamp
        return "another lamp" if lamps else ""

    def _other_scale(self, before: Instrument) -> bool:
        if not (self.rests_on and before.rests_on):
            return False
        if self.rests_on != before.rests_on:
            return True
        if self.um_per_px is not None and before.um_per_px is not None:
            pairs = zip(self.um_per_px, before.um_per_px, strict=True)
            if any(abs(now / then - 1) > _SCALES_APART for now, then in pairs):
                return True
        if self.edge_bias_px is None or before.edge_bias_px is None:
            return False
        return abs(self.edge_bias_px - before.edge_bias_px) > _BIAS_PX


Instruments = Mapping[str, Instrument]  # by check id
_NONE_KNOWN: Instruments = {}


class _Dated(Protocol):
    """A record of a day with its number in the ledger."""

    @property
    def on_date(self) -> date: ...
    @property
    def seq(self) -> int: ...


def moment(record: _Dated) -> tuple[date, int]:
    """The place of a record in a history: its day, then the order of recording."""
    return record.on_date, record.seq


@dataclass(frozen=True)
class Step:
    """A day from which the values may stand at another level, and why."""

    on_date: date
    seq: int
    reason: str
    new_cloth: bool = False


@dataclass(frozen=True)
class ClothHistory:
    """The checks of the cloth now in the frame, in order, and the steps since it came."""

    checks: tuple[Check, ...]
    steps: tuple[Step, ...]

    @property
    def parts(self) -> list[int]:
        """The part of the history each check belongs to."""
        return [part_index(check, self.steps) for check in self.checks]


def all_steps(
    history: SieveHistory, day: date, instruments: Instruments = _NONE_KNOWN
) -> list[Step]:
    """What divides a sieve's history up to a day: new cloth, cleanings, other instruments."""
    acts = [act for act in history.acts if act.on_date <= day]
    steps = [
        *(Step(act.on_date, act.seq, act.kind, True) for act in facts_of_type(acts, ClothReplaced)),
        *(Step(act.on_date, act.seq, CLEANED) for act in facts_of_type(acts, SieveCleaned)),
    ]
    before: Instrument | None = None
    for check in in_order(history, day):
        used = instruments.get(check.id)
        if used is None:
            continue
        if before is not None and (change := used.change_from(before)):
            steps.append(Step(check.on_date, check.seq - 1, change))
        if used.rests_on:
            before = used
    return sorted(steps, key=moment)


def in_order(history: SieveHistory, day: date) -> list[Check]:
    """The checks up to a day, by date and order of recording."""
    return sorted((check for check in history.checks if check.on_date <= day), key=moment)


def results_in_order(history: SieveHistory, day: date) -> list[Check]:
    """The checks up to a day and the certificates with an outcome, these in the form of checks."""
    stated = [as_check(history, fact) for fact in certificates_of(history, day)]
    judged = [certificate for certificate in stated if certificate.outcome in OUTCOMES]
    return sorted([*in_order(history, day), *judged], key=moment)


def certificates_of_cloth(history: SieveHistory, day: date) -> list[Check]:
    """The certificates of the cloth in the frame at the end of a day, in the form of checks."""
    acts = [act for act in history.acts if act.on_date <= day]
    since = max(map(moment, facts_of_type(acts, ClothReplaced)), default=(date.min, 0))
    stated = certificates_of(history, day)
    return [as_check(history, fact) for fact in stated if moment(fact) > since]


def certificate_parts(certificates: Sequence[Check], steps: Sequence[Step]) -> list[int]:
    """The part of the history of each certificate: one for a laboratory between two cleanings.

    They are numbered before those of the checks: the last part has the level that counts.
    """
    cleanings = [step for step in steps if step.reason == CLEANED]
    groups = [(c.scale_source, part_index(c, cleanings)) for c in certificates]
    order = list(dict.fromkeys(reversed(groups)))  # the newest gets -1
    return [-1 - order.index(group) for group in groups]


def cloth_history(
    history: SieveHistory, day: date, instruments: Instruments = _NONE_KNOWN
) -> ClothHistory:
    """The checks of the cloth in the frame at the end of a day."""
    steps, checks = all_steps(history, day, instruments), in_order(history, day)
    last_new = max((i for i, step in enumerate(steps) if step.new_cloth), default=-1)
    if last_new >= 0:
        checks = [check for check in checks if moment(check) > moment(steps[last_new])]
    return ClothHistory(tuple(checks), tuple(steps[last_new + 1 :]))


def part_index(check: Check, steps: Sequence[Step]) -> int:
    """The part of the history a check belongs to: how many steps came before it."""
    return sum(moment(step) < moment(check) for step in steps)


def uses_before(history: SieveHistory, day: date, seq: int | None = None) -> int:
    """Uses logged up to a day; on that very day those recorded before `seq`."""
    return sum(
        use.count
        for use in history.uses
        if use.on_date < day or (use.on_date == day and (seq is None or use.seq < seq))
    )


def elapsed(
    history: SieveHistory, start: date, day: date, seq: int | None, *, by_uses: bool
) -> float:
    """Where a day lies on the axis of wear: all uses before it, or days since `start`."""
    return float(uses_before(history, day, seq) if by_uses else (day - start).days)


def recent_rate(history: SieveHistory, day: date) -> float | None:
    """Uses per day over the last year, or since the first use if that is later; None unknown."""
    uses = [use for use in history.uses if use.on_date <= day]
    if not uses:
        return None
    first = min(use.on_date for use in uses)
    begin = max(first, day - timedelta(days=_RATE_DAYS))
    days = (day - begin).days
    # Uses of the first day belong to the time before it; without a span there is no rate.
    count = sum(use.count for use in uses if use.on_date > begin)
    return count / days if days > 0 and count else None


def expected_largest(count: int) -> float:
    """The largest of `count` normal values, in standard deviations above their mean.

    Blom (1958): Φ⁻¹((n − 0.375) / (n + 0.25)); within 0.02 of the exact mean from n = 10 on.
    """
    return NormalDist().inv_cdf((count - 0.375) / (count + 0.25)) if count > 1 else 0.0


def check_point(
    check: Check, name: str, direction: str, scales: Instruments, like: Check | None = None
) -> Point | None:
    """One value of a check in um, with its own uncertainty and the share of its scale.

    The scale's share is common to all checks with that scale; the rest is taken as independent.
    The largest of more apertures is larger: with `like` it is that of as many as that check
    measured, s (m(n_like) − m(n)) further, known to half of that step. None where the value or its
    uncertainty is not known.
    """
    from sieve_registry.outlook.straight_line import Point  # brings NumPy

    figures = check.x if direction == "x" else check.y
    value, u = {
        "mean": (figures.mean_um, figures.u_mean_um),
        "standard deviation": (figures.sd_um, figures.u_sd_um),
        "largest aperture": (figures.max_um, figures.u_max_um),
    }[name]
    if value is None or u is None:
        return None
    u_rel = scales[check.id].u_rel["xy".index(direction)]
    total, step = float(u), 0.0
    common = min(u_rel * abs(float(value)), 0.999 * total)
    own = math.sqrt(max(total**2 - common**2, 0.0))
    if name == "largest aperture" and like is not None and figures.sd_um is not None:
        wanted = like.x if direction == "x" else like.y
        step = expected_largest(wanted.count) - expected_largest(figures.count)
        step *= float(figures.sd_um)
    own = math.hypot(own, _STEP_KNOWN * step)
    return Point(float(value) + step, own, common, check.scale_source or "unknown scale")
