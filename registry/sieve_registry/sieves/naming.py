"""A sieve's name, put right while nothing but its own record and edits stands under it.

The ledger names every record by the sieve's id, so a name is not altered: the record of the new
sieve becomes void by a correction, and the sieve is added anew under the right name with the same
details and edits, all in one transaction.
"""

from __future__ import annotations

from dataclasses import asdict, fields

from sqlalchemy import Connection, select

from sieve_inspect.errors import UsageError
from sieve_registry.errors import DuplicateSieveError, RuleRefusedError
from sieve_registry.ledger.events import RecordCorrected, SieveAdded, SieveEdited, StackSet
from sieve_registry.ledger.records import Event, Sieve, SieveState
from sieve_registry.sieves.recording import RecordContext, RecordTerms, history_of
from sieve_registry.store import reader, schema
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id, clean_text, refuse_future

_OWN = (SieveAdded.KIND, SieveEdited.KIND, RecordCorrected.KIND)


def rename_sieve(registry: Registry, sieve_id: str, name: str, terms: RecordTerms) -> SieveState:
    """Put a sieve's name right and return its state under the new name.

    Raises `RuleRefusedError` once other records stand under the name, `DuplicateSieveError` for a
    name ever used, `BadTextError` for a name that is no id, and `UnknownSieveError`.
    """
    new_id = clean_id(name)
    day = terms.on_date or registry.today()
    refuse_future(day, registry.today(), "the correction")
    late = clean_text("reason", terms.late_reason)
    with registry.writing() as connection:
        history = history_of(connection, sieve_id)
        sieve = history.sieve
        if new_id == sieve.id:
            raise UsageError(message=f"The sieve's name is {new_id} already.")
        if reader.has_sieve(connection, new_id):
            raise DuplicateSieveError(sieve=new_id)
        _refuse_records(connection, sieve.id)
        added = reader.event_of(connection, sieve.seq)
        assert added is not None  # the sieve's row names it
        RecordContext(registry, connection, sieve.id, day, late).append(
            _voiding(added, new_id), terms.by
        )
        start = sieve.in_service or sieve.added_on
        anew = RecordContext(registry, connection, new_id, start, late)
        state = anew.record(_added_anew(sieve, new_id), terms.by)
        for edit in history.edits:
            again = SieveEdited(
                interval_months=edit.interval_months,
                interval_uses=edit.interval_uses,
                location=edit.location,
                details=dict(edit.details),
            )
            edited = RecordContext(registry, connection, new_id, edit.on_date, late)
            state = edited.record(again, terms.by)
        return state


def _refuse_records(connection: Connection, sieve_id: str) -> None:
    """Raise `RuleRefusedError` where a record other than the sieve's own names the sieve."""
    event = schema.event
    query = (
        select(event.c.kind, event.c.seq)
        .where(event.c.subject == sieve_id, event.c.kind.not_in(_OWN))
        .order_by(event.c.seq)
    )
    other = connection.execute(query).first()
    if other is not None:
        what = f"a record {other.kind!r} (event {other.seq})"
    else:
        stacks = reader.facts(connection, [StackSet])
        stack = next((fact for fact in stacks if sieve_id in fact.payload.sieves), None)
        if stack is None:
            return
        what = f"stack {stack.subject!r} (event {stack.seq})"
    raise RuleRefusedError(
        sieve=sieve_id,
        reason=f"its name stays, because {what} names it; retire it with the reason and add the "
        "sieve under the right name",
    )


def _voiding(added: Event, new_id: str) -> RecordCorrected:
    return RecordCorrected(
        corrects=added.seq,
        corrects_hash=added.hash,
        kind=added.kind,
        reason=f"entered under a wrong name, added anew as {new_id!r}",
        void=True,
        was={"id": added.subject},
        now={"id": new_id},
    )


def _added_anew(sieve: Sieve, new_id: str) -> SieveAdded:
    """The record of a sieve as it now reads, under another name."""
    same = {
        field.name: getattr(sieve, field.name)
        for field in fields(SieveAdded)
        if field.name not in ("id", "details") and hasattr(sieve, field.name)
    }
    details = {name: text for name, text in asdict(sieve.details).items() if text}
    return SieveAdded(id=new_id, details=details, **same)
