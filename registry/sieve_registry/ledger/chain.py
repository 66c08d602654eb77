"""The chain: each event carries the hash of the one before, so no past can change unnoticed.

    hash(n) = SHA-256( canonical JSON of event n without its hash; it includes hash(n - 1) )
    hash(0) = 64 zeros

The chain shows that nothing was altered, inserted or dropped before its head. That nothing was cut
off at the end only a head noted elsewhere can show: every report prints one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.records import Event, Finding

__all__ = ["GENESIS", "check_chain", "event_hash", "next_event"]

GENESIS = "0" * 64


def event_hash(event: Event) -> str:
    """SHA-256 (hex) over the canonical bytes of everything in `event` but its hash."""
    fields = {
        "seq": event.seq,
        "kind": event.kind,
        "subject": event.subject,
        "on_date": event.on_date,
        "recorded_at": event.recorded_at,
        "person": event.person,
        "software": event.software,
        "payload": event.payload,
        "previous": event.previous,
    }
    # A damaged text may be no UTF-8 any more; it still has to be hashed to be found out.
    data = canonical_text(fields).encode("utf-8", "surrogateescape")
    return hashlib.sha256(data).hexdigest()


def next_event(
    last: Event | None,
    *,
    kind: str,
    subject: str,
    on_date: str,
    recorded_at: str,
    person: str,
    software: str,
    payload: Mapping[str, object],
) -> Event:
    """The event that follows `last` (None begins a chain), with its hash."""
    draft = Event(
        seq=1 if last is None else last.seq + 1,
        kind=kind,
        subject=subject,
        on_date=on_date,
        recorded_at=recorded_at,
        person=person,
        software=software,
        payload=canonical_text(payload),
        previous=GENESIS if last is None else last.hash,
        hash="",
    )
    return Event(**{**draft.__dict__, "hash": event_hash(draft)})


def check_chain(events: Iterable[Event], known_head: str | None = None) -> list[Finding]:
    """Findings about the first broken link, and about a head noted earlier that is gone.

    After one broken link the rest of the chain proves nothing, so only the first is named.
    """
    expected_seq, previous, broken, seen = 1, GENESIS, list[Finding](), known_head is None
    for event in events:
        seen = seen or event.hash == known_head
        if broken:
            continue
        where = f"event {event.seq}"
        if event.seq != expected_seq:
            broken.append(Finding("chain", f"event {expected_seq} is missing", where))
        elif event.previous != previous:
            broken.append(Finding("chain", "does not follow from the event before it", where))
        elif event_hash(event) != event.hash:
            broken.append(Finding("chain", "its content was altered after recording", where))
        expected_seq, previous = event.seq + 1, event.hash
    if not seen:
        message = "no event has this hash: events were cut off or the chain was rewritten"
        broken.append(Finding("chain", message, f"head {known_head}"))
    return broken
