"""Signatures over the ledger, and whether checks need a second person."""

from __future__ import annotations

from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.errors import SignatureError
from sieve_registry.ledger import signing
from sieve_registry.ledger.events import LossAccepted
from sieve_registry.ledger.figures import LostHead
from sieve_registry.ledger.records import Event
from sieve_registry.people import commands as people_commands
from sieve_registry.settings import change_settings
from sieve_registry.sieves.recording import RecordTerms, record_general
from sieve_registry.store import heads, reader, server
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text


def sign_head(registry: Registry, key: Path, terms: RecordTerms) -> Event:
    """Sign the newest event's hash with an Ed25519 key; the signature is the next event.

    Raises `SignatureError` when the key cannot be used or nothing is recorded yet.
    """
    with registry.writing() as connection:
        last = reader.last_event(connection)
        if last is None:
            raise SignatureError(done="signed", file=key, reason="nothing is recorded yet")
        payload = signing.sign_head(key, last.seq, last.hash)
        return record_general(registry, connection, "ledger", payload, terms)


def accept_loss(registry: Registry, reason: str, terms: RecordTerms) -> Event:
    """Record that events known earlier are lost for good, so that recording can continue.

    Raises `UsageError` when nothing known is missing, `BadTextError` without a reason.
    """
    why = clean_text("reason", reason, needed=True)
    with registry.writing(after_loss=True) as connection:
        try:
            known = heads.known_heads(connection, registry.place, registry.head_note)
            missing = heads.lost(connection, known)
        except ValueError:  # the note was damaged: what it held is unknown
            missing = []
        else:
            if not missing:
                raise UsageError(
                    message="No event is known to be missing: leave --accept-loss out."
                )
        lost = tuple(LostHead(head.count, head.head, head.where) for head in missing)
        payload = LossAccepted(reason=why, lost=lost)
        return record_general(registry, connection, "ledger", payload, terms)


def demand_sign_off(registry: Registry, wanted: bool, terms: RecordTerms) -> Event:
    """Set whether, from a day on, every check needs a second person's sign-off."""
    return people_commands.set_rules(registry, terms, sign_off=wanted)


def make_key(path: Path) -> str:
    """Write a new private key (PEM) to `path` and return its public key (hex).

    Raises `SignatureError` when the file exists or cannot be written.
    """
    return signing.new_key(path)


def trust_key(key: str) -> str:
    """Keep a public key in the user's settings, for every later `verify`; the key (hex).

    Raises `SignatureError`, `UnwritableOutputError`.
    """
    public = signing.public_key(key)
    change_settings({"trusted_key": public})
    return public


def grant(registry: Registry, user: str, role: str) -> None:
    """Let a user of a server's database read, record, sign or administer. Raises `UsageError`."""
    server.grant(registry, user, role)
