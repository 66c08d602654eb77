"""What the records say of certificates and open look-backs, for every face."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import cast

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.ledger import corrections
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import (
    CertificateRecorded,
    RecordCorrected,
    ResultReviewed,
    SieveRetired,
)
from sieve_registry.ledger.records import Check, Fact, SieveHistory, Use
from sieve_registry.quality.certificate_rules import WITHIN_DAYS, Comparison, compare
from sieve_registry.quality.lookback import Lookback, lookbacks_of
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.certificates import certificates_of, recorded_certificates
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.store import listing, reader, rows
from sieve_registry.store.engine import Registry

__all__ = [
    "CertificateDue",
    "certificates",
    "certificates_due",
    "comparisons",
    "open_lookbacks",
]
# What look-backs rest on, beside checks and uses.
_CAUSES: tuple[type[EventPayload], ...] = (*listing.CAUSES, ResultReviewed)


@dataclass(frozen=True)
class CertificateDue:
    """The last certificate of a sieve that states a next day."""

    certificate: Fact[CertificateRecorded]
    due: date
    overdue: bool


def certificates(
    registry: Registry, sieve_id: str | None = None, day: date | None = None
) -> list[Fact[CertificateRecorded]]:
    """Certificates of a sieve (None: of all) up to a day, as corrected, by day.

    Raises `UnknownSieveError`.
    """
    every = recorded_certificates(registry, sieve_id)
    return [fact for fact in every if day is None or fact.on_date <= day]


def certificates_due(
    registry: Registry, day: date | None = None, within_days: int | None = None
) -> list[CertificateDue]:
    """The last certificates that state a next day, of sieves not retired, the soonest first."""
    now = day or registry.today()
    last = {fact.subject: fact for fact in certificates(registry, day=now)}
    if not last:
        return []
    retired = current_facts_of(registry, None, [SieveRetired])
    over = {fact.subject for fact in retired if fact.on_date <= now}
    waiting = [
        CertificateDue(fact, fact.payload.next_due, now > fact.payload.next_due)
        for sieve_id, fact in last.items()
        if sieve_id not in over and fact.payload.next_due is not None
    ]
    due = [w for w in waiting if within_days is None or (w.due - now).days <= within_days]
    return sorted(due, key=lambda entry: (entry.due, entry.certificate.subject))


def comparisons(
    registry: Registry,
    sieve_id: str | None = None,
    within_days: int = WITHIN_DAYS,
    day: date | None = None,
) -> list[Comparison]:
    """Every certificate up to a day (today) against the nearest own check up to it, by day.

    Only a check of the same cloth counts. Raises `UsageError` for a negative number of days,
    `UnknownSieveError`.
    """
    if within_days < 0:
        raise UsageError(message="The number of days has to be 0 or more.")
    now = day or registry.today()
    known = dict.fromkeys(fact.subject for fact in certificates(registry, sieve_id, now))
    made = []
    for name in known:
        history = sieve_queries.get_history(registry, name)
        dated = certificates_of(history, now)
        made += [compare(history, fact, now, within_days) for fact in dated]
    return sorted(made, key=lambda c: (c.certificate.on_date, c.certificate.seq))


def open_lookbacks(registry: Registry, day: date | None = None) -> list[Lookback]:
    """The look-backs of all sieves whose results are not all decided, by sieve, oldest first."""
    now = day or registry.today()
    with registry.reading() as connection:
        histories = _used_histories(connection, now)
    made: list[Lookback] = []
    for history in histories:
        made += [review for review in lookbacks_of(history, now) if review.undecided]
    return made


def _used_histories(connection: Connection, day: date) -> list[SieveHistory]:
    """What look-backs rest on, of every sieve that was used: read at once, for very many sieves."""
    uses: dict[str, list[Use]] = {}
    for row in listing.use_rows(connection, day, None):
        count, on_date = row._mapping["count"], date.fromisoformat(row.on_date)
        use = Use(row.sieve_id, on_date, count, row.note, row.seq, row.recorded_at, row.person)
        uses.setdefault(row.sieve_id, []).append(use)
    if not uses:
        return []
    marks = listing.check_marks(connection, day, None)
    made = map(rows.correction, reader.facts(connection, [RecordCorrected]))
    facts: dict[str, list[Fact[EventPayload]]] = {}
    for fact in corrections.corrected(reader.facts(connection, _CAUSES), made):
        facts.setdefault(fact.subject, []).append(fact)
    return [
        SieveHistory(
            sieve,
            # A look-back rests on a check's day, order and outcome alone, which a mark has.
            checks=tuple(cast("list[Check]", marks.get(sieve.id, []))),
            uses=tuple(uses.get(sieve.id, ())),
            acts=tuple(facts.get(sieve.id, ())),
            opinions=tuple(facts.get(sieve.id, ())),
        )
        for sieve in listing.used_sieves(connection)
    ]
