"""Records of a sieve's outlook: a new cloth, and the interval a person decided on."""

from __future__ import annotations

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.events import ClothReplaced, IntervalDecided, SieveEdited
from sieve_registry.ledger.records import Event
from sieve_registry.outlook.queries import IntervalView
from sieve_registry.sieves.facts import record_fact
from sieve_registry.sieves.recording import RecordTerms, recording
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text


def replace_cloth(registry: Registry, sieve_id: str, reason: str, terms: RecordTerms) -> Event:
    """Record that a frame got new cloth: its wear begins anew."""
    payload = ClothReplaced(reason=clean_text("reason", reason, needed=True))
    return record_fact(registry, sieve_id, payload, terms)


def accept_interval(
    registry: Registry, view: IntervalView, method: str, reason: str, terms: RecordTerms
) -> None:
    """Put a proposal into force from today on; its reasons and the decision are recorded.

    Raises `UsageError` where there is no proposal.
    """
    proposal = next(made for made in view.proposals if made.method == method)
    if not proposal.enough:
        raise UsageError(message=f"There is no proposal by {method}: {proposal.reasons[0]}.")
    state = view.state
    decision = IntervalDecided(
        method=method,
        months=proposal.months,
        uses=proposal.uses,
        was_months=state.interval_months,
        was_uses=state.interval_uses,
        reasons=proposal.reasons,
        reason=clean_text("reason", reason),
    )
    edit = SieveEdited(
        interval_months=proposal.months, interval_uses=proposal.uses, location=None, details={}
    )
    with recording(registry, state.sieve.id, IntervalDecided, terms) as context:
        context.append(decision, terms.by)
        context.append(edit, terms.by)
