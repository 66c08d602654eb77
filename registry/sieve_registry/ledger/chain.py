"""The chain: each event carries the hash of the one before, so changes of the past are detected.

    hash(n) = SHA-256( canonical JSON of event n without its hash; it includes hash(n - 1) )
    hash(0) = 64 zeros

The chain shows that nothing was altered, inserted or dropped before its head. That nothing was cut
off at the end only a head noted elsewhere can show: every report prints one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from json.encoder import encode_basestring as _quoted

import orjson

from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.ledger.records import Event, Finding

GENESIS = "0" * 64
_TYPES = [*[str] * 6, int, str, str]  # of the fields of an event, by name, without its hash
GONE = "no event has this hash: events were cut off or the chain was rewritten"


def event_hash(event: Event) -> str:
    """SHA-256 (hex) over the canonical bytes of everything in `event` but its hash.

    Raises `TypeError` when a damaged field is no text any more.
    """
    return hashlib.sha256(event_bytes(event)).hexdigest()


def event_bytes(event: Event) -> bytes:
    """The canonical bytes of everything in `event` but its hash.

    They are those of `canonical_text` of its fields, in the order of their names: this runs once
    per event in every `verify`. Raises `TypeError` when a damaged field is no text any more.
    """
    fields = {
        "kind": event.kind, "on_date": event.on_date, "payload": event.payload,
        "person": event.person, "previous": event.previous, "recorded_at": event.recorded_at,
        "seq": event.seq, "software": event.software, "subject": event.subject,
    }  # fmt: skip
    if list(map(type, fields.values())) == _TYPES:
        try:
            return orjson.dumps(fields)
        except TypeError:  # a damaged text may not be UTF-8; hashing it still shows the damage
            pass
    parts = (
        f'"{name}":{event.seq if name == "seq" else _quoted(getattr(event, name))}'
        for name in fields
    )
    return f"{{{','.join(parts)}}}".encode("utf-8", "surrogateescape")


def event_line(event: Event) -> bytes:
    """An event with its hash as one line of an export. Raises as `event_bytes`."""
    return b'{"hash":' + _quoted(event.hash).encode() + b"," + event_bytes(event)[1:] + b"\n"


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


class ChainWalk:
    """Checks a chain event by event: its first broken link and the heads not met."""

    def __init__(self, known_heads: Iterable[str] = (), after: Event | None = None) -> None:
        self.seq = 0 if after is None else after.seq
        self.previous = GENESIS if after is None else after.hash
        self.unmet = list(dict.fromkeys(known_heads))
        self.broken: Finding | None = None

    def step(self, event: Event) -> None:
        """Take the next event."""
        if self.unmet and event.hash in self.unmet:
            self.unmet.remove(event.hash)
        if self.broken is None:
            message = self._fault(event)
            if message:
                self.broken = Finding("chain", message, f"event {event.seq}")
        self.seq, self.previous = event.seq, event.hash

    def _fault(self, event: Event) -> str:
        if event.seq != self.seq + 1:
            return f"event {self.seq + 1} is missing"
        if event.previous != self.previous:
            return "does not follow from the event before it"
        try:
            same = event_hash(event) == event.hash
        except TypeError:
            same = False
        return "" if same else "its content was altered after recording"
