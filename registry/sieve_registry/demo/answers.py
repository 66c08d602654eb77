"""The answers of the demo's registry to the questions of a laboratory, a sentence each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from sieve_inspect.summary.repeatability import precision
from sieve_registry.checks import sampling
from sieve_registry.demo.actions import DEVICES, SAND, SAND_FILE, STACK, STUDY, STUDY_FILE
from sieve_registry.outlook.queries import interval_view, outlook
from sieve_registry.outlook.wear import Trend
from sieve_registry.quality import decisions, references
from sieve_registry.quality.effects import effects_of
from sieve_registry.quality.lookback import lookback_of
from sieve_registry.scales.drift import drift_of
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.stacks import ready
from sieve_registry.store.engine import Registry
from sieve_registry.values import shell_word


@dataclass(frozen=True)
class Answer:
    """A command and its answer in short."""

    command: str
    text: str


def answers_of(registry: Registry, today: date, folder: Path) -> Iterator[Answer]:
    """The questions in the order a laboratory meets them; `folder` is that of the demo."""
    yield _drift(registry, DEVICES[2400])
    plan = sampling.view_of(registry, "S-0500").plan
    many = "all apertures" if plan.n is None else f"{plan.n} apertures"
    yield Answer("plan S-0500", f"Measure {many} and {plan.wires} wires each way.")
    yield Answer("wear S-0500", outlook(registry, "S-0500").advice.reason)
    yield Answer("wear S-0076", _first_sign(registry, "S-0076"))
    proposal = interval_view(registry, "S-0500").proposals[-1]
    yield Answer("interval S-0500", _sentence(proposal.reasons[0]))
    yield _risk(registry, "S-2000")
    review = lookback_of(sieve_queries.get_history(registry, "S-0075"), today)
    since = review.good.on_date if review.good is not None else "the beginning"
    uses = f"{review.uses} uses since the last good check on {since}: review them."
    yield Answer("lookback S-0075", uses)
    psd = shell_word(str(folder / SAND_FILE), "FILE")
    stack = [state.sieve.id for state in ready(registry, STACK).sieves]
    for sieves, sieve_ids in (("S-0075", ["S-0075"]), (f"--stack {STACK}", stack)):
        effects = effects_of(registry, sieve_ids, SAND)
        shifts = "; ".join(f"{e.sieve_id} {e.main.shift:+.2f} % passing" for e in effects)
        yield Answer(f"effect {sieves} --psd {psd}", _sentence(shifts))
    entries = references.timeline(registry, "S-0500", today)
    results = [f"{e.kind}: {e.result}, {e.outcome}" for e in entries if e.kind != "optical"]
    yield Answer("reference show S-0500", _sentence("; ".join(results)))
    study = precision(STUDY)
    yield Answer(
        f"repeatability {shell_word(str(folder / STUDY_FILE), 'FILE')}",
        f"{len(study.groups)} people, {sum(study.counts)} values: s_r {study.s_r:.2f} um, "
        f"s_R {study.s_R:.2f} um.",
    )


def _drift(registry: Registry, device: str) -> Answer:
    history, jumps = drift_of(registry, device)
    jump = jumps[0]
    checks = ", ".join(jump.checks)
    return Answer(
        f"device show {device}",
        f"{len(history)} calibrations; along {jump.direction} the scale jumped by "
        f"{100 * jump.change:+.2f} % before {jump.bad.on_date}: review {checks}.",
    )


def _first_sign(registry: Registry, sieve_id: str) -> str:
    """When the wear of a sieve first showed, by changes and by means alone, check by check."""
    first: dict[bool, tuple[str, Trend]] = {}
    for check in sieve_queries.get_history(registry, sieve_id).checks:
        for trend in outlook(registry, sieve_id, check.on_date).wear.trends:
            if trend.name == "mean":
                for by_changes, line in ((True, trend), (False, trend.by_means or trend)):
                    if line.significant:
                        first.setdefault(by_changes, (f"{check.id} on {check.on_date}", line))
    if True not in first:
        return "No wear shows yet."
    shown, line = first[True]
    means = f"only from {first[False][0]} on" if False in first else "not yet"
    return (
        f"By {line.evidence} wear shows from {shown} on: {line.slope:+.2f} um per 1000 uses in "
        f"{line.direction} (95 %: {line.slope_low:+.2f} to {line.slope_high:+.2f}); by the means "
        f"alone {means}."
    )


def _risk(registry: Registry, sieve_id: str) -> Answer:
    view = decisions.rule_view(registry, sieve_id)
    least = min(view.risks, key=lambda row: row.p_conform)
    return Answer(
        f"rule {sieve_id}",
        f"Rule {view.rule.rule}; by {view.check_id} the {least.name} in {least.direction} "
        f"conforms with a probability of {100 * least.p_conform:.4g} %, the least of all values.",
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."
