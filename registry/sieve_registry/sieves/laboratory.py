"""What a laboratory requires of its own proof: numbers of reports, validated software, retention.

Nothing is required unless the laboratory set it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.ledger.records import Event
from sieve_registry.sieves.facts import facts_of, record_general_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_count

MOST_YEARS = 100
_PREFIX = re.compile(r"[A-Za-z0-9][A-Za-z0-9._]{0,15}", re.ASCII)


@dataclass(frozen=True)
class ProofRules:
    """The rules as they stand; `keep_years` 0 is no retention period."""

    report_prefix: str = "R"
    validated: bool = False
    keep_years: int = 0


def proof_rules(registry: Registry, day: date | None = None) -> ProofRules:
    """The rules at the end of a day (today)."""
    last = day or registry.today()
    values: dict[str, str | bool | int] = {}
    facts = facts_of(registry, None, [ProofRulesSet])
    for fact in sorted(facts, key=lambda fact: (fact.on_date, fact.seq)):
        if fact.on_date <= last:
            payload = fact.payload
            named = {
                "report_prefix": payload.report_prefix,
                "validated": payload.validated,
                "keep_years": payload.keep_years,
            }
            values |= {name: value for name, value in named.items() if value is not None}
    rules = ProofRules()
    return ProofRules(
        report_prefix=str(values.get("report_prefix", rules.report_prefix)),
        validated=bool(values.get("validated", rules.validated)),
        keep_years=int(values.get("keep_years", rules.keep_years)),
    )


def set_proof_rules(registry: Registry, wanted: ProofRulesSet, terms: RecordTerms) -> Event:
    """Set some of the rules from a day on. Raises `UsageError`, `DateRefusedError`."""
    prefix = wanted.report_prefix
    if prefix is not None and not _PREFIX.fullmatch(prefix):
        raise UsageError(
            message=f"A prefix of reports has 1 to 16 letters, digits, dots or underscores, not "
            f"{prefix[:20]!r}."
        )
    clean_count("number of years", wanted.keep_years, MOST_YEARS, 0)
    return record_general_fact(registry, "laboratory", wanted, terms)
