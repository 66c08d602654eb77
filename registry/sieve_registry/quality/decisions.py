"""Decision rules of sieves, the risk of their last verdict, and decisions of persons.

A sieve's history leads to expect a value before it is measured (JCGM 106:2012, 6.2). From three
earlier checks of the same cloth on: the wear line extended to the check. From one or two: the last
of them; its uncertainty is widened by the range of the earlier values, at least by three times its
own (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from sieve_inspect.errors import UsageError
from sieve_inspect.standard import limits
from sieve_inspect.verdict import ACTIONS
from sieve_inspect.verdict.risk import Normal, specific_risk
from sieve_inspect.verdict.rules import p_conform
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.events import ActionDecided
from sieve_registry.ledger.records import Check, Fact, SieveHistory
from sieve_registry.outlook.cloth_history import (
    DAYS_PER_YEAR,
    Instruments,
    Step,
    check_point,
    cloth_history,
    elapsed,
    moment,
    part_index,
)
from sieve_registry.outlook.queries import SieveData, sieve_data
from sieve_registry.outlook.straight_line import Point, fit, line_design
from sieve_registry.outlook.wear import LEAST_CHECKS
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.decision_rules import CheckRule, contributions, rule_of, set_rule
from sieve_registry.sieves.facts import current_facts_of, record_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text, shell_word


@dataclass(frozen=True)
class RiskRow:
    """One value of a check: its probability to conform, alone and with the sieve's history.

    `risk_with_history` is the specific risk (JCGM 106:2012), None where there is no history;
    `prior_um` and `prior_u_um` are what the earlier checks led to expect, in um.
    """

    name: str
    direction: str
    value_um: float
    p_conform: float
    risk_with_history: float | None
    prior_um: float | None
    prior_u_um: float | None


@dataclass(frozen=True)
class RuleView:
    """The decision rule of a sieve on a day, and the risks of its last check."""

    sieve_id: str
    as_of: date
    rule: CheckRule
    check_id: str | None
    risks: tuple[RiskRow, ...]
    decided: tuple[Fact[ActionDecided], ...]


def name_rule(
    registry: Registry,
    sieve_id: str,
    rule: str | None,
    coarser: Sequence[tuple[str, str]],
    study: str,
    terms: RecordTerms,
) -> None:
    """Name the rule a sieve is judged by from a day on; what is not given stays as it was.

    Raises `UsageError` for an unknown rule or study, and what `limits` raises for coarser limits
    that have no row for the sieve.
    """
    sieve = sieve_queries.get_history(registry, sieve_id).sieve
    now = rule_of(registry, sieve.id, terms.on_date or registry.today())
    for standard, grade in coarser:
        limits(sieve.nominal_um, standard, grade=grade)
    if study:
        contributions(registry, study)
    set_rule(
        registry,
        sieve.id,
        rule or now.rule,
        coarser=coarser or now.coarser,
        study=study or now.study,
        terms=terms,
    )


def rule_view(registry: Registry, sieve_id: str, day: date | None = None) -> RuleView:
    """The rule in force and the risks of the last check, at the end of a day (today)."""
    data = sieve_data(registry, sieve_id, day)
    state = data.state
    last = state.last_check
    decided = current_facts_of(registry, state.sieve.id, [ActionDecided])
    return RuleView(
        sieve_id=state.sieve.id,
        as_of=state.as_of,
        rule=data.rule,
        check_id=None if last is None else last.id,
        risks=() if last is None else tuple(_risks(data, last)),
        decided=tuple(f for f in decided if f.on_date <= state.as_of),
    )


def _risks(data: SieveData, last: Check) -> Iterator[RiskRow]:
    for (name, direction), bound in data.bounds.items():
        low, high = bound.low, bound.high
        point = check_point(last, name, direction, data.scales)
        if point is None:
            continue
        alone = p_conform(point.value, math.hypot(point.u, point.common), low, high, bound.dof)
        assert alone is not None
        prior = _prior_of(data.history, last, name, direction, data.scales)
        history: tuple[float | None, ...] = (None, None, None)
        if prior is not None:
            history = (_risk_with_prior(prior, point, low, high), prior.value, prior.u)
        yield RiskRow(name, direction, point.value, alone, *history)


def _prior_of(
    history: SieveHistory, check: Check, name: str, direction: str, scales: Instruments
) -> Point | None:
    """What the checks before `check` lead to expect of a value of it; None without any."""
    cloth = cloth_history(history, check.on_date, scales)
    earlier = [
        (before, point)
        for before in cloth.checks
        if moment(before) < moment(check)
        and (point := check_point(before, name, direction, scales, check)) is not None
    ]
    if not earlier:
        return None
    checks, points = zip(*earlier, strict=True)
    return _extended_line(history, check, checks, points, cloth.steps) or _from_few(points)


def _extended_line(
    history: SieveHistory,
    check: Check,
    earlier: Sequence[Check],
    points: Sequence[Point],
    steps: Sequence[Step],
) -> Point | None:
    if len(points) < LEAST_CHECKS:
        return None
    parts = [part_index(before, steps) for before in earlier]
    if part_index(check, steps) != parts[-1]:
        return None  # a step lies between: the level may differ
    by_uses = bool(history.uses)
    per = 1000.0 if by_uses else DAYS_PER_YEAR
    start = earlier[0].on_date
    *places, here = (
        elapsed(history, start, at.on_date, at.seq, by_uses=by_uses) / per
        for at in (*earlier, check)
    )
    line = fit(line_design(parts, places), points)
    if line is None or line.dof < 1:
        return None
    row = np.zeros(len(line.beta))
    row[-2], row[-1] = 1.0, here
    value, u = line.at(row)
    return Point(value, u, group=points[-1].group)


def _from_few(points: Sequence[Point]) -> Point:
    values, last = [p.value for p in points], points[-1]
    own = math.hypot(last.u, last.common)
    change = max(max(values) - min(values), 3 * own)
    return Point(last.value, math.hypot(own, change), group=last.group)


def _risk_with_prior(prior: Point, measured: Point, low: float | None, high: float | None) -> float:
    """Specific risk of a value given its prior; a scale common to both counts once."""
    u = math.hypot(measured.u, measured.common)
    shared = measured.common if prior.group == measured.group else 0.0
    # Rounding must not make a line through many checks better than the scale they share.
    shared = min(shared, 0.999 * prior.u, 0.999 * u)
    return specific_risk(Normal(measured.value, u), low, high, Normal(prior.value, prior.u), shared)


def decide(
    registry: Registry, check_id: str, action: str, reason: str, terms: RecordTerms
) -> dict[str, Any]:
    """Record a person's decision after a check, with the action proposed.

    It changes no status: retiring, quarantine and intervals have their own commands, which
    `next` names. Raises `UsageError` for an unknown action, `UnknownCheckError`.
    """
    wanted = " ".join(action.split()).lower()
    if wanted not in ACTIONS:
        raise UsageError(message=f"'{action}' is not an action: use {', '.join(ACTIONS)}.")
    check = check_queries.get_check(registry, check_id).check
    if wanted != check.action and not reason.strip():
        raise UsageError(
            message=f"{check.id} proposes '{check.action}': give --reason with why you decide "
            f"'{wanted}'."
        )
    why = clean_text("reason", reason)
    payload = ActionDecided(check=check.id, proposed=check.action, decided=wanted, reason=why)
    event = record_fact(registry, check.sieve_id, payload, terms)
    next_step = _NEXT.get(wanted, "").format(sieve=shell_word(check.sieve_id))
    made = {"sieve": check.sieve_id, "next": next_step, "event": event.seq}
    return {**payload.to_payload(), **made}


_NEXT = {
    "retire": "Now take it out: sieveward retire {sieve} --reason T",
    "clean and recheck": "After cleaning: sieveward check {sieve} SCAN…",
    "measure better": "With better scans: sieveward check {sieve} SCAN…",
    "keep with a shorter interval": "Now shorten it: sieveward interval {sieve} --accept wear",
    "restrict to coarser limits": "Mark it so: sieveward sieve edit {sieve} --location T",
}
