"""Facts kept as events alone: decision rules, decisions, reference checks, intervals, studies.

They stand in the same ledger as everything else and are read back from it; no table is derived.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.canonical import without_floats
from sieve_registry.records import REPEATABILITY_STUDIED, RULE_SET, Event, Fact
from sieve_registry.sieves.recording import RecordTerms, record_general, recording
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id

if TYPE_CHECKING:
    from sieve_inspect.summary.uncertainty import Contribution

__all__ = [
    "DEFAULT_RULE",
    "CheckRule",
    "contributions",
    "exact_payload",
    "facts_of",
    "record_fact",
    "record_general_fact",
    "rule_of",
    "set_rule",
    "study_of",
]

DEFAULT_RULE = "guard-band"


@dataclass(frozen=True)
class CheckRule:
    """How a sieve's checks are judged: rule, coarser limits allowed, a study in the budget."""

    rule: str = DEFAULT_RULE
    coarser: tuple[tuple[str, str], ...] = ()
    study: str = ""
    since: date | None = None  # None: nobody named one, the default holds


def facts_of(registry: Registry, subject: str | None, kinds: Sequence[str]) -> list[Fact]:
    """Facts of some kinds about one subject (None: any), in the order of recording."""
    with registry.reading() as connection:
        return reader.facts(connection, kinds, subject)


def record_fact(
    registry: Registry,
    sieve_id: str,
    kind: str,
    payload: Mapping[str, Any],
    terms: RecordTerms,
    what: str = "the record",
) -> Event:
    """Keep a fact about a sieve that may have it recorded for that day; floats become texts.

    Raises `UnknownSieveError` and what the lifecycle rules refuse.
    """
    with recording(registry, sieve_id, kind, what, terms) as context:
        return context.append(kind, exact_payload(payload), terms.by)


def record_general_fact(
    registry: Registry, subject: str, kind: str, payload: Mapping[str, Any], terms: RecordTerms
) -> Event:
    """Keep a fact that is about no single sieve, such as a study of a procedure."""
    name = clean_id(subject)
    with registry.writing() as connection:
        return record_general(registry, connection, kind, name, exact_payload(payload), terms)


def exact_payload(payload: Mapping[str, Any]) -> dict[str, Any]:
    """The payload with every float as the decimal text it is written as."""
    exact = without_floats(dict(payload))
    assert isinstance(exact, dict)
    return exact


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

    payload = {
        "rule": read_rule(rule).spec,
        "coarser": [list(pair) for pair in coarser],
        "study": study,
    }
    return record_fact(
        registry, sieve_id, RULE_SET, payload, terms or RecordTerms(), what="the decision rule"
    )


def rule_of(registry: Registry, sieve_id: str, day: date) -> CheckRule:
    """How a check of that day is judged: the rule last named for it or earlier, or the default."""
    known = [f for f in facts_of(registry, sieve_id, [RULE_SET]) if f.on_date <= day]
    if not known:
        return CheckRule()
    latest = max(known, key=lambda fact: (fact.on_date, fact.seq))
    said = latest.payload
    coarser = tuple((str(a), str(b)) for a, b in said.get("coarser", ()))
    return CheckRule(str(said["rule"]), coarser, str(said.get("study", "")), latest.on_date)


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
    told = fact.payload["directions"]
    lines = ((d, told.get(d) or told.get("both")) for d in "xy")
    return tuple(
        Contribution("reproducibility", d, float(one["s_R_um"]), float(one["dof"]))
        for d, one in lines
        if one is not None
    )


def study_of(registry: Registry, name: str) -> Fact | None:
    """The repeatability study last recorded under a name, or None."""
    found = facts_of(registry, name, [REPEATABILITY_STUDIED])
    return found[-1] if found else None
