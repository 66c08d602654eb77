"""Decision rules of sieves: set for a day onwards, read for the day of a check."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.events import DecisionRuleSet, RepeatabilityStudied
from sieve_registry.ledger.records import Event, Fact
from sieve_registry.sieves.facts import facts_of, record_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.summary.uncertainty import Contribution

DEFAULT_RULE = "guard-band"


@dataclass(frozen=True)
class CheckRule:
    """How a sieve's checks are judged: rule, coarser limits allowed, a study in the budget."""

    rule: str = DEFAULT_RULE
    coarser: tuple[tuple[str, str], ...] = ()
    study: str = ""
    since: date | None = None  # None: nobody named one, the default holds


def set_rule(
    registry: Registry,
    sieve_id: str,
    rule: str,
    *,
    coarser: Iterable[tuple[str, str]] = (),
    study: str = "",
    terms: RecordTerms | None = None,
) -> Event:
    """Name the decision rule a sieve's checks are judged by from a day on, before measuring.

    `coarser` are standards (or tables) with grades the sieve may serve under when it fails;
    `study` names a repeatability study whose s_R goes into the budget of its checks.
    """
    from sieve_inspect.verdict.rules import read_rule

    payload = DecisionRuleSet(rule=read_rule(rule).spec, coarser=tuple(coarser), study=study)
    return record_fact(registry, sieve_id, payload, terms or RecordTerms())


def rule_of(registry: Registry, sieve_id: str, day: date) -> CheckRule:
    """How a check of that day is judged: the rule last named for it or earlier, or the default."""
    known = [f for f in facts_of(registry, sieve_id, [DecisionRuleSet]) if f.on_date <= day]
    if not known:
        return CheckRule()
    latest = max(known, key=lambda fact: (fact.on_date, fact.seq))
    rule = latest.payload
    return CheckRule(rule.rule, rule.coarser, rule.study, latest.on_date)


def contributions(registry: Registry, name: str) -> tuple[Contribution, ...]:
    """The s_R of a repeatability study as budget lines for x and y, um.

    Raises `UsageError` for a study there is not.
    """
    from sieve_inspect.summary.uncertainty import Contribution

    fact = study_of(registry, name)
    if fact is None:
        raise UsageError(
            message=f"There is no study {name!r}: record one with `sieveward repeatability`."
        )
    studied = fact.payload.directions
    lines = ((d, studied.get(d) or studied.get("both")) for d in "xy")
    return tuple(
        Contribution("reproducibility", d, figures.s_reproducibility_um, float(figures.dof))
        for d, figures in lines
        if figures is not None
    )


def study_of(registry: Registry, name: str) -> Fact[RepeatabilityStudied] | None:
    """The repeatability study last recorded under a name, or None."""
    studies = facts_of(registry, name, [RepeatabilityStudied])
    return studies[-1] if studies else None
