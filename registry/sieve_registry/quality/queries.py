"""What the records say of certificates and open look-backs, for every face."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_inspect.errors import UsageError
from sieve_registry.codec import EventPayload
from sieve_registry.events import CertificateRecorded, ReferenceChecked, SieveQuarantined
from sieve_registry.quality.certificate_rules import WITHIN_DAYS, Comparison, compare
from sieve_registry.quality.lookback import Lookback, lookbacks_of
from sieve_registry.records import Fact, Status
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.certificates import certificates_of, recorded_certificates
from sieve_registry.store import listing, reader
from sieve_registry.store.engine import Registry

__all__ = [
    "CertificateDue",
    "certificates",
    "certificates_due",
    "comparisons",
    "open_lookbacks",
]
# What may put results in question, beside a failed check.
_CAUSES: tuple[type[EventPayload], ...] = (
    SieveQuarantined,
    ReferenceChecked,
    CertificateRecorded,
)


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
    kept = {s.sieve.id for s in sieve_queries.states(registry, now) if s.status != Status.RETIRED}
    waiting = [
        CertificateDue(fact, fact.payload.next_due, now > fact.payload.next_due)
        for sieve_id, fact in last.items()
        if sieve_id in kept and fact.payload.next_due is not None
    ]
    due = [w for w in waiting if within_days is None or (w.due - now).days <= within_days]
    return sorted(due, key=lambda entry: (entry.due, entry.certificate.subject))


def comparisons(
    registry: Registry,
    sieve_id: str | None = None,
    within_days: int = WITHIN_DAYS,
    day: date | None = None,
) -> list[Comparison]:
    """Every certificate against the nearest own check of the same cloth, by day.

    Raises `UsageError` for a negative number of days, `UnknownSieveError`.
    """
    if within_days < 0:
        raise UsageError(message="The number of days has to be 0 or more.")
    known = dict.fromkeys(fact.subject for fact in certificates(registry, sieve_id, day))
    made = []
    for name in known:
        history = sieve_queries.get_history(registry, name)
        dated = certificates_of(history, day or registry.today())
        made += [compare(history, fact, within_days) for fact in dated]
    return sorted(made, key=lambda c: (c.certificate.on_date, c.certificate.seq))


def open_lookbacks(registry: Registry, day: date | None = None) -> list[Lookback]:
    """The look-backs of all sieves whose results are not all decided, by sieve, oldest first."""
    now, made = day or registry.today(), []
    with registry.reading() as connection:
        causes = reader.facts(connection, _CAUSES)
        doubted = {fact.subject for fact in causes} | set(listing.failed_and_used(connection))
        for sieve_id in sorted(doubted):
            for history in reader.histories(connection, sieve_id).values():
                made += [review for review in lookbacks_of(history, now) if review.undecided]
    return made
