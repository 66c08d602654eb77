"""The data gathered for the forecast rules, and what they result in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from sieve_inspect.outcomes import Action
from sieve_inspect.verdict.rules import Rule, read_rule
from sieve_registry.errors import UnknownSieveError
from sieve_registry.ledger.events import CheckRecorded, IntervalDecided
from sieve_registry.ledger.figures import ClothLink, DirectionFigures, Margin
from sieve_registry.ledger.records import Check, Fact, SieveHistory, SieveState
from sieve_registry.outlook.changes import ClothLinks
from sieve_registry.outlook.cloth_history import Instrument, Instruments
from sieve_registry.outlook.proposals import (
    Advice,
    Proposal,
    advise,
    expected_due,
    staircase,
    wear_interval,
)
from sieve_registry.outlook.sieving_methods import MethodComparison, compare_methods
from sieve_registry.outlook.wear import LEAST_CHECKS, Bound, Bounds, Wear, analyse_wear
from sieve_registry.sieves import state as states
from sieve_registry.sieves.decision_rules import CheckRule, rule_of
from sieve_registry.sieves.facts import facts_of
from sieve_registry.sieves.recording import history_of
from sieve_registry.store.engine import Registry


@dataclass(frozen=True)
class SieveData:
    """A sieve on a day: its history and state, and what its checks' events add to them."""

    history: SieveHistory
    state: SieveState
    rule: CheckRule
    bounds: Bounds
    scales: Instruments
    payloads: Mapping[str, CheckRecorded]  # by check id

    @property
    def links(self) -> ClothLinks:
        """The changes since earlier checks of the sieve, by check."""
        return {
            check: payload.cloth
            for check, payload in self.payloads.items()
            if payload.cloth is not None and payload.cloth.sieve == self.state.sieve.id
        }

    @property
    def decision_rule(self) -> Rule:
        """The decision rule in force."""
        return read_rule(self.rule.rule)


@dataclass(frozen=True)
class Outlook:
    """The wear of a sieve, also by sieving method where that is recorded, and the advice."""

    data: SieveData
    wear: Wear
    methods: tuple[MethodComparison, ...]
    advice: Advice


@dataclass(frozen=True)
class IntervalView:
    """A sieve's interval on a day with the proposals for the next."""

    state: SieveState
    due: date | None
    due_because: str
    rate_per_year: float | None
    proposals: tuple[Proposal, ...]
    decided: tuple[Fact[IntervalDecided], ...]


def sieve_data(registry: Registry, sieve_id: str, day: date | None = None) -> SieveData:
    """Gather what is known of a sieve at the end of a day (today). Raises `UnknownSieveError`."""
    day = day or registry.today()
    with registry.reading() as connection:
        history = history_of(connection, sieve_id)
    sieve_id = history.sieve.id
    now = states.state_as_of(history, day)
    if now is None:
        raise UnknownSieveError(sieve=sieve_id, hint=f" as of {day}")
    facts = facts_of(registry, sieve_id, [CheckRecorded])
    payloads = {fact.payload.check: fact.payload for fact in facts}
    checks = [check for check in history.checks if check.on_date <= day]
    return SieveData(
        history=history,
        state=now,
        rule=rule_of(registry, sieve_id, day),
        bounds=_bounds(now, payloads),
        scales={check.id: _instrument(_recorded(payloads[check.id])) for check in checks},
        payloads=payloads,
    )


def outlook(registry: Registry, sieve_id: str, day: date | None = None) -> Outlook:
    """The forecast for a sieve from its checks and uses at the end of a day (today)."""
    data = sieve_data(registry, sieve_id, day)
    state = data.state
    wear = analyse_wear(
        data.history, state.as_of, data.bounds, data.decision_rule, data.scales, data.links
    )
    methods = compare_methods(data.history, state.as_of, data.scales)
    return Outlook(data, wear, methods, advise(state.last_check, wear, state.due, state.new_cloth))


def interval_view(registry: Registry, sieve_id: str, day: date | None = None) -> IntervalView:
    """Interval, next check and proposals of a sieve at the end of a day (today)."""
    forecast = outlook(registry, sieve_id, day)
    data, wear, state = forecast.data, forecast.wear, forecast.data.state
    due, because = expected_due(state, wear.rate_per_year)
    decided = facts_of(registry, state.sieve.id, [IntervalDecided])
    return IntervalView(
        state=state,
        due=due,
        due_because=because,
        rate_per_year=wear.rate_per_year,
        proposals=(
            staircase(state, data.history, data.payloads, data.decision_rule),
            wear_interval(state, data.history, wear),
        ),
        decided=tuple(f for f in decided if f.on_date <= state.as_of),
    )


def action_with_history(
    registry: Registry,
    history: SieveHistory,
    day: date,
    figures: Mapping[str, Any],
    link: ClothLink | None = None,
) -> dict[str, str]:
    """How the sieve's history changes the action of a check about to be recorded; {} if not.

    `figures` are those of its payload, with its `trace`; `link` is its change since an earlier
    check. "keep" becomes "keep with a shorter
    interval" where a limit may be reached before the next check.
    """
    entered_late = any(check.on_date > day for check in history.checks)
    if figures["action"] != Action.KEEP or entered_late or len(history.checks) + 1 < LEAST_CHECKS:
        return {}
    data = sieve_data(registry, history.sieve.id, day)
    check = _unrecorded(history, day, figures)
    after = replace(history, checks=(*history.checks, check))
    now = states.state_as_of(after, day)
    assert now is not None
    scales = {**data.scales, check.id: _instrument(figures)}
    bounds = _bounds_of(Margin.from_payload(margin) for margin in figures["margins"])
    links = data.links if link is None else {**data.links, check.id: link}
    wear = analyse_wear(after, day, bounds, data.decision_rule, scales, links)
    advice = advise(check, wear, now.due)
    if advice.action == Action.KEEP:
        return {}
    return {"action": str(advice.action), "action_reason": advice.reason}


def _unrecorded(history: SieveHistory, day: date, figures: Mapping[str, Any]) -> Check:
    """A check as it will be read back, with the id "this check"."""
    sieve = history.sieve
    seqs = [*(c.seq for c in history.checks), *(u.seq for u in history.uses)]
    return Check(
        id="this check",
        sieve_id=sieve.id,
        on_date=day,
        nominal_nm=sieve.nominal_nm,
        standard=sieve.standard,
        grade=sieve.grade,
        rule=figures["rule"],
        outcome=figures["outcome"],
        action=figures["action"],
        action_reason=figures["action_reason"],
        reasons=tuple(figures["reasons"]),
        fit=figures["fit"],
        x=DirectionFigures.from_payload(figures["x"]),
        y=DirectionFigures.from_payload(figures["y"]),
        seq=max([sieve.seq, *seqs, *(act.seq for act in history.acts)]) + 1,
        recorded_at="",
        person="",
        software="",
        scale_source=(figures.get("scale") or {}).get("source"),
    )


def _bounds(now: SieveState, payloads: Mapping[str, CheckRecorded]) -> Bounds:
    """The limits recorded with the last check; without these, those of the standard."""
    last = now.last_check
    if last and payloads[last.id].margins:
        return _bounds_of(payloads[last.id].margins)
    from sieve_inspect.standard import limits

    sieve = now.sieve
    row = limits(sieve.nominal_um, sieve.standard, grade=sieve.grade)
    mean = Bound(row.nominal_um - row.y_um, row.nominal_um + row.y_um)
    spans = {"mean": mean, "largest aperture": Bound(None, row.max_um)}
    if row.s_limit_um is not None:
        spans["standard deviation"] = Bound(None, row.s_limit_um)
    return {(name, direction): span for direction in "xy" for name, span in spans.items()}


def _bounds_of(margins: Iterable[Margin]) -> Bounds:
    """The limits in the margins of a check, um, with each value's coverage factor."""
    return {
        (m.name, m.direction): Bound(
            _float(m.limit_low_um), _float(m.limit_high_um), _float(m.k) or 2.0,
            _float(m.dof) or math.inf,
        )
        for m in margins
    }  # fmt: skip


def _recorded(payload: CheckRecorded) -> dict[str, Any]:
    return {"scale": payload.scale, "trace": payload.trace, "light": payload.light}


def _instrument(recorded: Mapping[str, Any]) -> Instrument:
    """What a check was measured with, from its scale, its chain and its light as recorded."""
    scale, trace = recorded.get("scale") or {}, recorded.get("trace") or {}
    light, link = recorded.get("light") or {}, trace.get("scale") or {}
    x, y = _float(scale.get("um_per_px_x")), _float(scale.get("um_per_px_y"))
    bias = scale.get("edge_bias_px")
    angles = [light.get(name) for name in ("lamp_angle_deg", "view_angle_deg")]
    artefact = str((trace.get("artefact") or {}).get("id") or "")
    return Instrument(
        u_rel=(_float(scale.get("u_rel_x")) or 0.0, _float(scale.get("u_rel_y")) or 0.0),
        device=str(link.get("device") or ""),
        rests_on=artefact or str(scale.get("source") or ""),
        um_per_px=None if artefact or x is None or y is None else (x, y),
        edge_bias_px=None if bias is None else float(bias),
        lamp=str(angles) if any(angles) else "",
    )


def _float(value: str | float | Decimal | None) -> float | None:
    return None if value is None else float(value)
