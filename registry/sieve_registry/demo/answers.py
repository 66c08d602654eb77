"""What the demo's registry answers to the questions people ask it, a sentence each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from sieve_registry.checks import sampling
from sieve_registry.demo.actions import DEVICES, SAND, STACK
from sieve_registry.outlook import intervals
from sieve_registry.outlook.queries import outlook
from sieve_registry.quality import decisions, references
from sieve_registry.quality.effects import effects_of
from sieve_registry.quality.lookback import lookback_of
from sieve_registry.scales.drift import drift_of
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.decision_rules import study_of
from sieve_registry.sieves.stacks import ready
from sieve_registry.store.engine import Registry

__all__ = ["Answer", "answers_of"]


@dataclass(frozen=True)
class Answer:
    """A command and what it comes to."""

    command: str
    told: str


def answers_of(registry: Registry, today: date) -> Iterator[Answer]:
    """The questions in the order a laboratory meets them."""
    yield _drift(registry)
    plan = sampling.view_of(registry, "S-0500")
    many = "all apertures" if plan.plan.n is None else f"{plan.plan.n} apertures"
    yield Answer("plan S-0500", f"Measure {many} and {plan.plan.wires} wires each way.")
    yield Answer("wear S-0500", outlook(registry, "S-0500").advice.reason)
    proposal = intervals.view_of(registry, "S-0500").proposals[-1]
    yield Answer("interval S-0500", _sentence(proposal.reasons[0]))
    yield _risk(registry)
    yield _lookback(registry, today)
    yield _effect(registry, ["S-0075"], "S-0075")
    whole = [state.sieve.id for state in ready(registry, STACK).sieves]
    yield _effect(registry, whole, f"--stack {STACK}")
    entries = [e for e in references.timeline(registry, "S-0500", today) if e.kind != "optical"]
    told = "; ".join(f"{one.kind}: {one.found}, {one.outcome}" for one in entries)
    yield Answer("reference show S-0500", _sentence(told))
    study = study_of(registry, "S-0500-by-person")
    assert study is not None
    said = study.payload["directions"]["both"]
    told = f"{said['groups']} people, {said['values']} values: s_r {float(said['s_r_um']):.2f} um"
    yield Answer("repeatability STUDY.csv", f"{told}, s_R {float(said['s_R_um']):.2f} um.")


def _drift(registry: Registry) -> Answer:
    device = DEVICES[2400]
    history, jumps = drift_of(registry, device)
    jump = jumps[0]
    named = ", ".join(jump.checks)
    told = (
        f"{len(history)} calibrations; along {jump.direction} the scale jumped by "
        f"{100 * jump.change:+.2f} % before {jump.bad.on_date}: look again at {named}."
    )
    return Answer(f"device show {device}", told)


def _risk(registry: Registry) -> Answer:
    view = decisions.rule_view(registry, "S-2000")
    least = min(view.risks, key=lambda row: row.p_conform)
    told = (
        f"Rule {view.rule.rule}; by {view.check_id} the {least.name} in {least.direction} "
        f"conforms with a probability of {100 * least.p_conform:.4g} %, the least of all values."
    )
    return Answer("rule S-2000", told)


def _lookback(registry: Registry, today: date) -> Answer:
    found = lookback_of(sieve_queries.get_history(registry, "S-0075"), today)
    since = found.good.on_date if found.good is not None else "the beginning"
    return Answer(
        "lookback S-0075", f"{found.uses} uses since it was last good on {since}: review them."
    )


def _effect(registry: Registry, sieve_ids: list[str], typed: str) -> Answer:
    found = effects_of(registry, sieve_ids, SAND)
    told = "; ".join(f"{one.sieve_id} {one.main.shift:+.2f} % passing" for one in found)
    return Answer(f"effect {typed} --psd sand.csv", _sentence(told))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."
