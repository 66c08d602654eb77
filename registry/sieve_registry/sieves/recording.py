"""The record context: rules are checked first, then one event is appended to the ledger."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from sqlalchemy import Connection

from sieve_registry.errors import UnknownSieveError
from sieve_registry.ledger.canonical import plain_name
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.records import SieveHistory, SieveState
from sieve_registry.people.recording import (
    LedgerContext,
    RecordTerms,
    names_of,
    person,
    record_general,
)
from sieve_registry.sieves import lifecycle, state
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import Staged
from sieve_registry.values import clean_id, clean_text

__all__ = [
    "EvidenceSource",
    "RecordContext",
    "RecordTerms",
    "history_for_recording",
    "history_of",
    "person",
    "record_general",
    "recording",
    "staged_evidence",
]

EvidenceSource = tuple[bytes | Path, str, str]  # content, role, name


def history_of(connection: Connection, sieve_id: str) -> SieveHistory:
    """Everything recorded of one sieve. Raises `UnknownSieveError` with the nearest name."""
    histories = reader.histories(connection, clean_id(sieve_id))
    for history in histories.values():
        return history
    right = reader.renamed_sieves(connection).get(clean_id(sieve_id))
    if right is not None:
        raise UnknownSieveError(sieve=sieve_id[:70], hint=f": its name was corrected to {right!r}")
    there = {name.casefold(): name for name in reader.sieve_ids(connection)}
    near = difflib.get_close_matches(sieve_id.casefold(), there, n=1)
    hint = f": did you mean {there[near[0]]!r}" if near else ": `sieveward sieve list` shows all"
    raise UnknownSieveError(sieve=sieve_id[:70], hint=hint)


@dataclass(frozen=True)
class RecordContext(LedgerContext):
    """A writing transaction in which events about one sieve are appended for one day."""

    def record(self, payload: EventPayload, by: str | None) -> SieveState:
        """Append an event about a sieve to the ledger; the sieve's state after it."""
        self.append(payload, by)
        after = history_of(self.connection, self.subject)
        after_record = state.state_as_of(after, self.registry.today())
        assert after_record is not None  # nothing is recorded for a day to come
        return after_record


def history_for_recording(
    registry: Registry,
    connection: Connection,
    sieve_id: str,
    event_type: type[EventPayload],
    terms: RecordTerms,
    *,
    noun: str = "",
    check_id: str = "",
) -> tuple[SieveHistory, date]:
    """The sieve's history and the day of the record. Raises the objections to recording it.

    `noun` names the record in a sentence where the event type's own noun is not enough.
    """
    history = history_of(connection, sieve_id)
    today = registry.today()
    day = terms.on_date or today
    late = clean_text("reason", terms.late_reason)
    names = names_of(connection, terms.by)
    intended = lifecycle.IntendedRecord(
        event_type, day, today, noun or event_type.NOUN, names, late, check_id
    )
    lifecycle.refuse_contradictions(history, intended)
    return history, day


@contextmanager
def recording(
    registry: Registry,
    sieve_id: str,
    event_type: type[EventPayload],
    terms: RecordTerms,
    *,
    check_id: str = "",
) -> Iterator[RecordContext]:
    """Open a record context for a known sieve after its history allows the record.

    Raises `UnknownSieveError` and what `lifecycle.refuse_contradictions` raises.
    """
    with registry.writing() as connection:
        history, day = history_for_recording(
            registry, connection, sieve_id, event_type, terms, check_id=check_id
        )
        late = clean_text("reason", terms.late_reason)
        yield RecordContext(registry, connection, history.sieve.id, day, late)


@contextmanager
def staged_evidence(
    registry: Registry, files: Iterable[EvidenceSource]
) -> Iterator[list[tuple[Staged, str, str]]]:
    """Copies of files to keep with a record, for `writer.placing`; what stays unplaced goes again.

    Raises `EvidenceError` for a file that cannot be read.
    """
    staged: list[tuple[Staged, str, str]] = []
    try:
        for content, role, name in files:
            item = registry.evidence.stage(content, Path(name).suffix)
            staged.append((item, role, plain_name(name)))
        yield staged
    finally:
        for item, _, _ in staged:
            registry.evidence.discard(item)
