"""Witnesses of the newest event: they show that an older copy was put back or an end was lost.

Each recording notes the count and hash of its event in two places: in the note beside a registry
file (`seal`), and in a journal in the user's own folder, one file for each place of a registry,
only ever appended to:

    COUNT HEAD FIRST TIME    after each recording; FIRST is the hash of event 1
    new TIME                 a registry was created in this place
    forgotten TIME           this program removed the registry it had made there (the demo)

Before anything is appended to a registry, both heads have to be in its chain, so that a further
write cannot hide a loss. A place may be used again: after `new` only heads of a registry with the
same first event count, which is how a restored backup that lacks events is recognised.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, select

from sieve_registry.errors import LostEventsError
from sieve_registry.ledger.events import LossAccepted
from sieve_registry.ledger.records import Fact
from sieve_registry.store import reader, schema
from sieve_registry.store.location import Place
from sieve_registry.store.seal import read_note

BESIDE = "beside the file"
OWN_FOLDER = "in your own folder"
_LINE = re.compile(rb"([1-9][0-9]{0,17}) ([0-9a-f]{64}) ([0-9a-f]{64}) [0-9T:Z+-]{10,32}")
_NEW, _FORGOTTEN = b"new ", b"forgotten "
_LAST_LINES = 4
_LAST_BYTES = 1024  # more than so many lines have


@dataclass(frozen=True)
class KnownHead:
    """The newest event by a witness: its number, its hash, and where that is noted."""

    count: int
    head: str
    where: str


def journal_of(place: Place) -> Path:
    """The journal of a registry's place, in the user's own folder (it may not exist yet)."""
    from platformdirs import user_state_path

    where = place.shown if place.path is None else os.path.realpath(place.path)
    name = hashlib.sha256(where.encode("utf-8", "surrogateescape")).hexdigest()[:24]
    return user_state_path("sieveward", appauthor=False) / "heads" / f"{name}.txt"


def journal_head(place: Place, first: str, count: int, head: str, moment: datetime) -> None:
    """Append the newest event; a folder that cannot be written is no error here."""
    _append(journal_of(place), f"{count} {head} {first} {_time(moment)}", create=True)


def journal_new(place: Place, moment: datetime) -> None:
    """Append that a registry was created in this place."""
    _append(journal_of(place), f"new {_time(moment)}", create=False)


def forget(place: Place, moment: datetime) -> None:
    """Append that the registry which was in this place does not count any more."""
    _append(journal_of(place), f"forgotten {_time(moment)}", create=False)


def known_heads(connection: Connection, place: Place, note: Path | None) -> list[KnownHead]:
    """The heads that have to be in the chain. Raises `ValueError` when the note was damaged."""
    known = []
    noted = None if note is None else read_note(note)
    if noted is not None:
        known.append(KnownHead(noted.count, noted.head, BESIDE))
    for count, head in _journalled(journal_of(place), first_hash(connection)):
        known.append(KnownHead(count, head, OWN_FOLDER))
    return known


def lost(connection: Connection, known: Iterable[KnownHead]) -> list[KnownHead]:
    """The known heads not in the chain under their number, and whose loss nobody accepted."""
    event = schema.event
    missing = [
        witness
        for witness in known
        if connection.execute(
            select(event.c.seq).where(event.c.hash == witness.head)
        ).scalar_one_or_none()
        != witness.count
    ]
    return unaccepted(missing, losses(connection)) if missing else []


def unaccepted(
    known: Iterable[KnownHead], accepted: Iterable[Fact[LossAccepted]]
) -> list[KnownHead]:
    """The known heads whose loss nobody accepted; what lies before an accepted one is lost too."""
    spans = [(fact.seq, lost) for fact in accepted for lost in fact.payload.lost]
    return [
        witness
        for witness in known
        if not any(
            witness.head == lost.head or seq <= witness.count <= lost.events for seq, lost in spans
        )
    ]


def losses(connection: Connection) -> list[Fact[LossAccepted]]:
    """Every loss that a person accepted."""
    return reader.facts(connection, [LossAccepted])


def refuse_lost(connection: Connection, place: Place, note: Path | None) -> None:
    """Raise `LostEventsError` where the chain lacks a known head or the note was damaged."""
    try:
        missing = lost(connection, known_heads(connection, place, note))
    except ValueError:
        raise LostEventsError(
            file=place.shown,
            reason="cannot be compared with its newest known event: the note beside it was damaged",
            done="Nothing was recorded",
        ) from None
    if missing:
        raise LostEventsError.of(place.shown, missing[0].count, missing[0].head, missing[0].where)


def first_hash(connection: Connection) -> str | None:
    """The hash of event 1, or None in an empty ledger."""
    event = schema.event
    query = select(event.c.hash).where(event.c.seq == 1)
    return connection.execute(query).scalar_one_or_none()


def _time(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S%z")


def _append(journal: Path, line: str, *, create: bool) -> None:
    try:
        if create:
            journal.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        elif not journal.exists():
            return
        handle = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(handle, f"{line}\n".encode("ascii"))
        finally:
            os.close(handle)
    except OSError:
        return


def _journalled(journal: Path, first: str | None) -> list[tuple[int, str]]:
    """The newest head of this place, and the newest of the registry with this first event."""
    try:
        with journal.open("rb") as stream:
            stream.seek(0, os.SEEK_END)
            stream.seek(max(0, stream.tell() - _LAST_BYTES))
            # Two programs may append in another order than they recorded: several lines count.
            last = [_LINE.fullmatch(text) for text in stream.read().splitlines()[-_LAST_LINES:]]
            if last and all(line is not None and line[3].decode() == first for line in last):
                return [(int(line[1]), line[2].decode()) for line in last if line is not None]
            stream.seek(0)
            lines = stream.read().splitlines()
    except OSError:
        return []
    newest: tuple[int, str] | None = None
    same: tuple[int, str] | None = None  # the highest of the registry with this first event
    for text in lines:
        line = _LINE.fullmatch(text)
        if line is not None:
            newest = (int(line[1]), line[2].decode())
            if line[3].decode() == first and (same is None or newest[0] >= same[0]):
                same = newest
        elif text.startswith(_NEW):
            newest = None
        elif text.startswith(_FORGOTTEN):
            newest = same = None
    return [head for head in dict.fromkeys((newest, same)) if head is not None]
