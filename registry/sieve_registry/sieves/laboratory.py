"""What a laboratory requires of its own proof: report numbers, validation, findings, retention.

Nothing is required unless the laboratory set it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from datetime import date

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.ledger.records import Event
from sieve_registry.sieves.facts import record_general_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader
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
    raise_findings: bool = False


_NAMES = tuple(field.name for field in fields(ProofRules))


def proof_rules(registry: Registry, day: date | None = None) -> ProofRules:
    """The rules at the end of a day (today)."""
    with registry.reading() as connection:
        return proof_rules_on(connection, day or registry.today())


def proof_rules_on(connection: Connection, last: date) -> ProofRules:
    """The same within a transaction."""
    rules = ProofRules()
    facts = reader.facts(connection, [ProofRulesSet])
    for fact in sorted(facts, key=lambda fact: (fact.on_date, fact.seq)):
        if fact.on_date <= last:
            set_ = {name: getattr(fact.payload, name) for name in _NAMES}
            rules = replace(rules, **{name: v for name, v in set_.items() if v is not None})
    return rules


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
