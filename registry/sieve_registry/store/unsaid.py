"""Recordings whose program was killed before it could say so.

Right before each commit the count and hash of the new event go into a small file of this process,
beside the journal of heads; it is removed when the program ends by itself, everything it printed
written. A file whose program has ended otherwise shows that the last recording may not have been
acknowledged: whether it is in the ledger is then said once, by the next command of that person.
"""

from __future__ import annotations

import atexit
import contextlib
import sys
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select

from sieve_registry.ledger.records import Event
from sieve_registry.store import schema
from sieve_registry.store.heads import journal_of
from sieve_registry.store.location import Place
from sieve_registry.store.programs import has_ended, this_program

_ENDING = ".saying"


@dataclass(frozen=True)
class Unsaid:
    """What a program that was killed had begun to record; `event` is None where nothing was."""

    count: int
    event: Event | None


def note_unsaid(place: Place, count: int, head: str) -> None:
    """Note the event about to be committed; a folder that cannot be written is no error here."""
    journal = journal_of(place)
    file = journal.with_name(f"{journal.stem}.{this_program()}{_ENDING}")
    with contextlib.suppress(OSError):
        journal.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not file.exists():
            atexit.register(_said, file)
        file.write_text(f"{count} {head}\n", "ascii")


def _said(file: Path) -> None:
    """The program ends by itself: what it printed is written, nothing is left unsaid."""
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
        file.unlink(missing_ok=True)


def take_unsaid(connection: Connection, place: Place) -> list[Unsaid]:
    """What killed programs of this person had begun to record here; each is given once."""
    journal, found = journal_of(place), []
    for file in sorted(journal.parent.glob(f"{journal.stem}.*{_ENDING}")):
        if has_ended(file.name.removeprefix(f"{journal.stem}.").removesuffix(_ENDING)):
            with contextlib.suppress(OSError, ValueError):
                count, head = file.read_text("ascii").split()
                query = select(schema.event).where(schema.event.c.hash == head)
                row = connection.execute(query).first()
                found.append(Unsaid(int(count), None if row is None else Event(*row)))
            with contextlib.suppress(OSError):
                file.unlink()
    return found
