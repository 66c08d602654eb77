"""What the registry can say ahead: everything a forecast needs, gathered for the rules."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from sieve_inspect.verdict.rules import read_rule
from sieve_registry.errors import UnknownSieveError
from sieve_registry.events import CheckRecorded, ClothReplaced
from sieve_registry.figures import DirectionFigures
from sieve_registry.outlook.advice import KEEP, Advice, advise
from sieve_registry.outlook.sieving_methods import Methods, methods_of
from sieve_registry.outlook.wear import ENOUGH, Bounds, ScaleShare, Wear, wear_of
from sieve_registry.records import Check, Event, Fact, SieveHistory, SieveState, facts_of_type
from sieve_registry.sieves import state as states
from sieve_registry.sieves.decision_rules import CheckRule, rule_of
from sieve_registry.sieves.facts import facts_of, record_fact
from sieve_registry.sieves.recording import RecordTerms, history_of
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

__all__ = ["Outlook", "Story", "foreseen_action", "outlook", "replace_cloth", "story_of"]


@dataclass(frozen=True)
class Story:
    """One sieve on one day, with what its checks' events say beyond their rows."""

    history: SieveHistory
    state: SieveState
    rule: CheckRule
    bounds: Bounds
    scales: ScaleShare
    replaced: tuple[Fact[ClothReplaced], ...]
    payloads: Mapping[str, Mapping[str, Any]]  # by check id


@dataclass(frozen=True)
class Outlook:
    """The wear of a sieve, by method where that is known, and what it comes to."""

    story: Story
    wear: Wear
    methods: tuple[Methods, ...]
    advice: Advice


def story_of(registry: Registry, sieve_id: str, day: date | None = None) -> Story:
    """Gather what is known of a sieve at the end of a day (today). Raises `UnknownSieveError`."""
    day = day or registry.today()
    with registry.reading() as connection:
        history = history_of(connection, sieve_id)
    sieve_id = history.sieve.id
    now = states.state_as_of(history, day)
    if now is None:
        raise UnknownSieveError(sieve=sieve_id, hint=f" as of {day}")
    found = facts_of(registry, sieve_id, [CheckRecorded])
    payloads = {f.payload.check: f.payload.to_payload() for f in found}
    checks = [check for check in history.checks if check.on_date <= day]
    return Story(
        history=history,
        state=now,
        rule=rule_of(registry, sieve_id, day),
        bounds=_bounds(now, payloads),
        scales={check.id: _scale_share(payloads.get(check.id, {})) for check in checks},
        replaced=tuple(facts_of_type(history.acts, ClothReplaced)),
        payloads=payloads,
    )


def outlook(registry: Registry, sieve_id: str, day: date | None = None) -> Outlook:
    """What the checks and uses of a sieve say of the time to come, seen from a day (today)."""
    story = story_of(registry, sieve_id, day)
    as_of = story.state.as_of
    wear = wear_of(
        story.history,
        as_of,
        story.bounds,
        read_rule(story.rule.rule),
        story.scales,
        story.replaced,
    )
    methods = methods_of(story.history, as_of, story.scales, story.replaced)
    now = story.state
    advice = advise(now.last_check, wear, now.due, now.new_cloth)
    return Outlook(story, wear, methods, advice)


def foreseen_action(
    registry: Registry, history: SieveHistory, day: date, figures: Mapping[str, Any]
) -> dict[str, str]:
    """What a check about to be recorded should propose besides, seen with the sieve's history.

    `figures` are those of its payload. A plain "keep" becomes "keep with a shorter interval" where
    a limit may be reached before the next check; everything else stays, and {} is returned.
    """
    late = any(check.on_date > day for check in history.checks)  # later ones speak for the sieve
    if figures["action"] != KEEP or late or len(history.checks) + 1 < ENOUGH:
        return {}
    story = story_of(registry, history.sieve.id, day)
    check = _unrecorded(history, day, figures)
    after = replace(history, checks=(*history.checks, check))
    now = states.state_as_of(after, day)
    assert now is not None
    wear = wear_of(
        after,
        day,
        _bounds_of(figures["margins"]),
        read_rule(story.rule.rule),
        {**story.scales, check.id: _scale_share(figures)},
        story.replaced,
    )
    advice = advise(check, wear, now.due)
    if advice.action == KEEP:
        return {}
    return {"action": advice.action, "action_reason": advice.reason}


def _unrecorded(history: SieveHistory, day: date, figures: Mapping[str, Any]) -> Check:
    """A check as it will be read back, under the name "this check"."""
    sieve = history.sieve
    seqs = [*(c.seq for c in history.checks), *(u.seq for u in history.uses)]
    last = max([sieve.seq, *seqs, *(act.seq for act in history.acts)])
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
        x=_figures(figures["x"]),
        y=_figures(figures["y"]),
        seq=last + 1,
        recorded_at="",
        person="",
        software="",
        scale_source=(figures.get("scale") or {}).get("source"),
    )


def _figures(told: Mapping[str, Any]) -> DirectionFigures:
    values = {
        name: None if value is None else Decimal(value)
        for name, value in told.items()
        if name != "count"
    }
    mean = values.pop("mean_um")
    assert mean is not None
    return DirectionFigures(count=int(told["count"]), mean_um=mean, **values)


def replace_cloth(registry: Registry, sieve_id: str, reason: str, terms: RecordTerms) -> Event:
    """Record that a frame got new cloth: its wear begins anew."""
    payload = ClothReplaced(reason=clean_text("reason", reason, needed=True))
    return record_fact(registry, sieve_id, payload, terms)


def _bounds(now: SieveState, payloads: Mapping[str, Mapping[str, Any]]) -> Bounds:
    """The limits the last check was judged by, as it kept them; else those of the edition."""
    last = now.last_check
    margins = payloads.get(last.id, {}).get("margins", ()) if last else ()
    if margins:
        return _bounds_of(margins)
    from sieve_inspect.standard import limits

    sieve = now.sieve
    found = limits(sieve.nominal_um, sieve.standard, grade=sieve.grade)
    mean = (found.nominal_um - found.y_um, found.nominal_um + found.y_um)
    bounds: dict[tuple[str, str], tuple[float | None, float | None]] = {}
    for direction in "xy":
        bounds["mean", direction] = mean
        bounds["largest aperture", direction] = (None, found.max_um)
        if found.s_limit_um is not None:
            bounds["standard deviation", direction] = (None, found.s_limit_um)
    return bounds


def _bounds_of(margins: Iterable[Mapping[str, Any]]) -> Bounds:
    """The limits in the margins of a check's payload, um."""
    return {
        (str(m["name"]), str(m["direction"])): (
            _float(m["limit_low_um"]),
            _float(m["limit_high_um"]),
        )
        for m in margins
    }


def _scale_share(payload: Mapping[str, Any]) -> tuple[float, float]:
    scale = payload.get("scale") or {}
    return _float(scale.get("u_rel_x")) or 0.0, _float(scale.get("u_rel_y")) or 0.0


def _float(text: Any) -> float | None:
    return None if text is None else float(text)
