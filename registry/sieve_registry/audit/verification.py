"""Proof that the records of a registry are complete and unchanged."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from functools import partial

from sqlalchemy import Connection

from sieve_registry.audit.stamps import stamps_of
from sieve_registry.errors import ForeignRegistryError, LostEventsError
from sieve_registry.ledger import signing
from sieve_registry.ledger.events import HeadSigned, LossAccepted
from sieve_registry.ledger.proof import Signer, Verification
from sieve_registry.ledger.records import Fact, Finding
from sieve_registry.store import heads, reader
from sieve_registry.store.database_errors import plain_errors
from sieve_registry.store.engine import Registry
from sieve_registry.store.guards import guard_findings
from sieve_registry.store.seal import Note, read_note
from sieve_registry.store.sqlite_file import OpenFile
from sieve_registry.store.verify import note_faults, verify_records
from sieve_registry.store.verify_process import verify_in_process


def ledger_head(registry: Registry) -> tuple[int, str | None]:
    """How many events are recorded, and the hash of the last one."""
    with registry.reading() as connection:
        last = reader.last_event(connection)
        return reader.count_events(connection), None if last is None else last.hash


def verify(
    registry: Registry, known_head: str | None = None, *, key: str = "", quick: bool = False
) -> Verification:
    """Prove the chain, the derived rows, the foreign keys and every evidence file.

    `quick` leaves the derived rows and the file's structure out. `known_head` is a hash noted
    earlier (reports print it) that must still be in the chain. `key` is the public key (hex) by
    which the newest signature has to be.
    """
    path, helper = registry.place.path, partial(verify_in_process, registry.place)
    note, damaged = _note(registry)
    given = [head for head in (known_head, None if note is None else note.head) if head is not None]
    try:
        with ExitStack() as last, plain_errors(registry.where, registry.busy_ms):
            file = None
            if path is not None and not quick:
                file = OpenFile(path, last.enter_context(path.open("rb")), note)
            with registry.reading() as connection:
                signers = signers_of(connection)
                stamps = stamps_of(registry, connection)
                losses = tuple(heads.losses(connection))
                known = [*given, *_journalled(registry, connection, losses)]
                proof = verify_records(
                    connection, registry.evidence, known, file, helper, rows=not quick
                )
                damaged += note_faults(connection, note)
                if registry.place.url is not None:
                    damaged += guard_findings(connection)
    except ForeignRegistryError as error:
        return Verification(False, 0, None, (Finding("file", str(error), "registry file"),))
    faulty = [Finding("time stamp", s.fault, f"event {s.event}") for s in stamps if s.fault]
    findings = (*proof.findings, *damaged, *_key_findings(signers, key), *faulty)
    return Verification(
        not findings, proof.events, proof.head, findings, proof.sealed, losses, signers, stamps
    )


def signers_of(connection: Connection) -> tuple[Signer, ...]:
    """Every signature of the ledger with a key, in the order of recording."""
    signed = []
    for fact in reader.facts(connection, [HeadSigned]):
        before = reader.event_of(connection, fact.seq - 1)
        fault = signing.fault_of(fact.payload, fact.seq, "" if before is None else before.hash)
        payload = fact.payload
        signer = Signer(fact.seq, fact.person, payload.public_key, payload.events, fault)
        signed.append(signer)
    return tuple(signed)


def _key_findings(signers: Sequence[Signer], key: str) -> list[Finding]:
    """A finding where the newest signature is missing, by another key, or does not hold."""
    if not key:
        return []
    if not signers:
        return [Finding("signature", f"no event is signed with the key {key[:12]}…", "ledger")]
    newest = signers[-1]
    if newest.public_key.lower() != key:
        other = f"the newest signature is by another key ({newest.public_key[:12]}…)"
        return [Finding("signature", other, f"event {newest.event}")]
    return [Finding("signature", newest.fault, f"event {newest.event}")] if newest.fault else []


def _journalled(
    registry: Registry, connection: Connection, losses: Sequence[Fact[LossAccepted]]
) -> list[str]:
    """The heads of the user's own journal that have to be in the chain."""
    known = heads.known_heads(connection, registry.place, None)
    return [witness.head for witness in heads.unaccepted(known, losses)]


def refuse_lost(registry: Registry, done: str) -> None:
    """Raise `LostEventsError` where a known event is missing; `done` says what was done."""
    with registry.reading() as connection:
        known = heads.known_heads(connection, registry.place, None)
        for witness in heads.lost(connection, known):
            raise LostEventsError.of(
                registry.where, witness.count, witness.head, witness.where, done
            )


def _note(registry: Registry) -> tuple[Note | None, list[Finding]]:
    """What was noted beside the file after the last recording, and whether that was damaged."""
    try:
        return None if registry.head_note is None else read_note(registry.head_note), []
    except ValueError as error:
        return None, [Finding("file", str(error), "registry file")]
