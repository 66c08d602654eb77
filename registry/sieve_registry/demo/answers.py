"""The answers of the demo's registry to the questions of a laboratory, a sentence each."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from sieve_inspect.summary.repeatability import precision
from sieve_registry.checks import sampling
from sieve_registry.demo.actions import DEVICES, SAND, SAND_FILE, STACK, STUDY, STUDY_FILE
from sieve_registry.outlook.queries import interval_view, outlook
from sieve_registry.quality import decisions, references
from sieve_registry.quality.effects import effects_of
from sieve_registry.quality.lookback import lookback_of
from sieve_registry.scales.drift import drift_of
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.stacks import ready
from sieve_registry.store.engine import Registry


@dataclass(frozen=True)
class Answer:
    """A command and its answer in short."""

    command: str
    text: str


def answers_of(registry: Registry, today: date, folder: Path) -> Iterator[Answer]:
    """The questions in the order a laboratory meets them; `folder` is that of the demo."""
    yield _drift(registry)
    view = sampling.view_of(registry, "S-0500")
    many = "all apertures" if view.plan.n is None else f"{view.plan.n} apertures"
    yield Answer("plan S-0500", f"Measure {many} and {view.plan.wires} wires each way.")
    yield Answer("wear S-0500", outlook(registry, "S-0500").advice.reason)
    proposal = interval_view(registry, "S-0500").proposals[-1]
    yield Answer("interval S-0500", _sentence(proposal.reasons[0]))
    yield _risk(registry)
    yield _lookback(registry, today)
    psd = shlex.quote(str(folder / SAND_FILE))
    yield _effect(registry, ["S-0075"], f"effect S-0075 --psd {psd}")
    stack = [state.sieve.id for state in ready(registry, STACK).sieves]
    yield _effect(registry, stack, f"effect --stack {STACK} --psd {psd}")
    yield _references(registry, today)
    yield _repeatability(folder)


def _drift(registry: Registry) -> Answer:
    device = DEVICES[2400]
    history, jumps = drift_of(registry, device)
    jump = jumps[0]
    checks = ", ".join(jump.checks)
    return Answer(
        f"device show {device}",
        f"{len(history)} calibrations; along {jump.direction} the scale jumped by "
        f"{100 * jump.change:+.2f} % before {jump.bad.on_date}: review {checks}.",
    )


def _risk(registry: Registry) -> Answer:
    view = decisions.rule_view(registry, "S-2000")
    least = min(view.risks, key=lambda row: row.p_conform)
    return Answer(
        "rule S-2000",
        f"Rule {view.rule.rule}; by {view.check_id} the {least.name} in {least.direction} "
        f"conforms with a probability of {100 * least.p_conform:.4g} %, the least of all values.",
    )


def _lookback(registry: Registry, today: date) -> Answer:
    review = lookback_of(sieve_queries.get_history(registry, "S-0075"), today)
    since = review.good.on_date if review.good is not None else "the beginning"
    return Answer(
        "lookback S-0075", f"{review.uses} uses since the last good check on {since}: review them."
    )


def _effect(registry: Registry, sieve_ids: list[str], command: str) -> Answer:
    effects = effects_of(registry, sieve_ids, SAND)
    shifts = "; ".join(f"{e.sieve_id} {e.main.shift:+.2f} % passing" for e in effects)
    return Answer(command, _sentence(shifts))


def _references(registry: Registry, today: date) -> Answer:
    entries = references.timeline(registry, "S-0500", today)
    results = [f"{e.kind}: {e.result}, {e.outcome}" for e in entries if e.kind != "optical"]
    return Answer("reference show S-0500", _sentence("; ".join(results)))


def _repeatability(folder: Path) -> Answer:
    study = precision(STUDY)
    return Answer(
        f"repeatability {shlex.quote(str(folder / STUDY_FILE))}",
        f"{len(study.groups)} people, {sum(study.counts)} values: s_r {study.s_r:.2f} um, "
        f"s_R {study.s_R:.2f} um.",
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."
