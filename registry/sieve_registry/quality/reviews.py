"""Decisions on the results of a look-back, one by one."""

from __future__ import annotations

from collections.abc import Sequence

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.choices import ResultState
from sieve_registry.ledger.events import ResultReviewed
from sieve_registry.ledger.records import Event
from sieve_registry.quality.lookback import lookbacks_of
from sieve_registry.sieves.recording import RecordTerms, history_of, recording
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text, shell_word


def decide_results(
    registry: Registry,
    sieve_id: str,
    uses: Sequence[int],
    result: ResultState,
    reason: str,
    terms: RecordTerms,
) -> list[Event]:
    """Record what became of the results of some uses, for every cause that puts them in question.

    `uses` are the event numbers of the uses; `reason` is how it was found out, or who was told and
    when. A later decision on the same result replaces an earlier one. Raises `UsageError` for an
    event that is no use under review, `UnknownSieveError`, `BadTextError`, `DateRefusedError`.
    """
    why = clean_text("reason", reason, needed=True)
    events = []
    with recording(registry, sieve_id, ResultReviewed, terms) as context:
        history = history_of(context.connection, context.subject)
        reviews = lookbacks_of(history, context.day)
        for use in dict.fromkeys(uses):
            causes = [
                review.cause.seq
                for review in reviews
                if review.cause and use in {entry.seq for entry in review.entries}
            ]
            if not causes:
                typed = shell_word(history.sieve.id)
                raise UsageError(
                    message=f"Event {use} is no use of {history.sieve.id} under review: "
                    f"`sieveward lookback {typed}` lists them with their numbers."
                )
            for cause in causes:
                payload = ResultReviewed(cause=cause, use=use, result=str(result), reason=why)
                events.append(context.append(payload, terms.by))
    return events
