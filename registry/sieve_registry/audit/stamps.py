"""Time stamps of the ledger: the request for its head, an answer attached, all of them verified."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, select

from sieve_inspect.files import read_file
from sieve_registry.errors import EvidenceAlteredError, EvidenceError, SignatureError
from sieve_registry.ledger import stamping
from sieve_registry.ledger.events import HeadStamped
from sieve_registry.ledger.proof import Stamp
from sieve_registry.ledger.records import Event, Fact
from sieve_registry.people.recording import RecordTerms
from sieve_registry.sieves.facts import record_with_evidence
from sieve_registry.store import reader, schema
from sieve_registry.store.engine import Registry

ANSWER, CERTIFICATE = "time stamp", "time stamp certificate"
_MOST_BYTES = 1_000_000  # an answer with its certificates has a few kilobytes


def stamp_request(registry: Registry) -> tuple[bytes, Event]:
    """The request (DER) for the newest event, and that event. Raises `SignatureError`."""
    with registry.reading() as connection:
        last = reader.last_event(connection)
    if last is None:
        raise SignatureError(done="stamped", file=registry.where, reason="nothing is recorded yet")
    return stamping.request_of(last), last


def attach_stamp(
    registry: Registry, answer: Path, certificate: Path | None, terms: RecordTerms
) -> Event:
    """Record an authority's answer after checking it; `certificate` (PEM) verifies its signature.

    Raises `SignatureError` for an answer that was refused, is of no event of this ledger, or whose
    signature does not verify.
    """
    data = _read(answer)
    stated = stamping.read_answer(data, answer)
    pem = None if certificate is None else _read(certificate)
    trusted = [] if pem is None else stamping.read_certificates(pem, certificate or answer)
    with registry.reading() as connection:
        stamped = _event_of_hash(connection, stated.imprint)
    if stamped is None:
        reason = "its token is of no event of this registry"
        raise SignatureError(done="stamped", file=answer, reason=reason)
    fault = stamping.fault_of(data, stamped.hash, trusted)
    if fault:
        raise SignatureError(done="stamped", file=answer, reason=fault)
    payload = HeadStamped(
        events=stamped.seq,
        head=stamped.hash,
        stamped_at=stated.stamped_at,
        authority=stated.authority,
        serial=stated.serial,
        policy=stated.policy,
        certified=bool(trusted),
    )
    files: list[tuple[bytes | Path, str, str]] = [(data, ANSWER, answer.name)]
    if pem is not None and certificate is not None:
        files.append((pem, CERTIFICATE, certificate.name))
    return record_with_evidence(registry, "ledger", payload, terms, files)


def stamps_of(registry: Registry, connection: Connection) -> tuple[Stamp, ...]:
    """Every time stamp of the ledger, checked again, in the order of recording."""
    return tuple(_checked(registry, connection, f) for f in reader.facts(connection, [HeadStamped]))


def _checked(registry: Registry, connection: Connection, fact: Fact[HeadStamped]) -> Stamp:
    payload = fact.payload
    stamped = reader.event_of(connection, payload.events)
    if stamped is None or stamped.hash != payload.head:
        fault = "stamps another head than that of its event"
    else:
        fault = _fault(registry, payload)
    unchecked = ""
    if not stamping.can_verify():
        unchecked = 'nothing: verifying needs pip install "sieveward[sign]"'
    elif not payload.certified:
        unchecked = "its hash and status, not its signature: no certificate was given"
    return Stamp(fact.seq, payload.events, payload.stamped_at, payload.authority, unchecked, fault)


def _fault(registry: Registry, payload: HeadStamped) -> str:
    kept: dict[str, bytes] = {}
    try:
        for file in payload.evidence:
            kept[file.role] = registry.evidence.read(file.sha256, file.extension)
        pem = kept.get(CERTIFICATE)
        trusted = [] if pem is None else stamping.read_certificates(pem, CERTIFICATE)
    except (EvidenceError, EvidenceAlteredError):
        return ""  # found by the verification of the evidence
    except SignatureError:
        return "its certificate cannot be read" if stamping.can_verify() else ""
    return stamping.fault_of(kept.get(ANSWER, b""), payload.head, trusted)


def _event_of_hash(connection: Connection, digest: str) -> Event | None:
    row = connection.execute(select(schema.event).where(schema.event.c.hash == digest)).first()
    return None if row is None else Event(*row)


def _read(file: Path) -> bytes:
    try:
        return read_file(file, _MOST_BYTES)
    except OSError as error:
        reason = error.strerror or str(error)
        raise SignatureError(done="stamped", file=file, reason=reason) from error
