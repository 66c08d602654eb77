"""The interval of a sieve: what it is, what its history proposes, and what a person decided."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_inspect.errors import UsageError
from sieve_inspect.verdict.rules import read_rule
from sieve_registry.events import IntervalDecided, SieveEdited
from sieve_registry.outlook.interval_rules import Proposal, expected_due, staircase, wear_interval
from sieve_registry.outlook.queries import outlook
from sieve_registry.records import Fact, SieveState
from sieve_registry.sieves.facts import facts_of
from sieve_registry.sieves.recording import RecordTerms, recording
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

__all__ = ["IntervalView", "accept", "view_of"]


@dataclass(frozen=True)
class IntervalView:
    """A sieve's interval on one day with the proposals for the next."""

    state: SieveState
    due: date | None
    due_because: str
    rate_per_year: float | None
    proposals: tuple[Proposal, ...]
    decided: tuple[Fact[IntervalDecided], ...]


def view_of(registry: Registry, sieve_id: str, day: date | None = None) -> IntervalView:
    """Interval, next check and proposals of a sieve at the end of a day (today)."""
    found = outlook(registry, sieve_id, day)
    story = found.story
    state, rate = story.state, found.wear.rate_per_year
    due, because = expected_due(state, rate)
    rule = read_rule(story.rule.rule)
    decided = facts_of(registry, state.sieve.id, [IntervalDecided])
    return IntervalView(
        state=state,
        due=due,
        due_because=because,
        rate_per_year=rate,
        proposals=(
            staircase(state, story.history, story.payloads, rule),
            wear_interval(state, story.history, found.wear),
        ),
        decided=tuple(f for f in decided if f.on_date <= state.as_of),
    )


def accept(
    registry: Registry, view: IntervalView, method: str, reason: str, terms: RecordTerms
) -> None:
    """Take a proposal from today on; the proposal, its reasons and the decision are kept.

    Raises `UsageError` where there is nothing to propose from.
    """
    proposal = next(one for one in view.proposals if one.method == method)
    if not proposal.enough:
        raise UsageError(
            message=f"There is no proposal by {method} to take: {proposal.reasons[0]}."
        )
    state = view.state
    decision = IntervalDecided(
        method=method,
        months=proposal.months,
        uses=proposal.uses,
        was_months=state.interval_months,
        was_uses=state.interval_uses,
        reasons=tuple(proposal.reasons),
        reason=clean_text("reason", reason),
    )
    edit = SieveEdited(
        interval_months=proposal.months, interval_uses=proposal.uses, location=None, details={}
    )
    with recording(registry, state.sieve.id, IntervalDecided, terms) as context:
        context.append(decision, terms.by)
        context.append(edit, terms.by)
