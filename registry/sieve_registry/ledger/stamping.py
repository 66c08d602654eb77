"""Time stamps of the ledger by an authority (RFC 3161), exchanged as files: nothing is sent.

The request's message imprint is the hash of the newest event, which is SHA-256 of its canonical
bytes: the token proves that this chain, up to this event, existed at the authority's time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_registry.errors import SignatureError
from sieve_registry.ledger.chain import event_bytes
from sieve_registry.ledger.records import Event

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

_SHA256 = "2.16.840.1.101.3.4.2.1"  # id-sha256 (RFC 5754, 2.2)
_EXTRA = 'time stamps need an extra part: pip install "sieveward[sign]"'


@dataclass(frozen=True)
class StampAnswer:
    """An answer of an authority: the hash it covers (hex), its time (UTC) and what it names."""

    imprint: str
    stamped_at: str
    authority: str
    serial: str
    policy: str


def request_of(event: Event) -> bytes:
    """The time stamp request (DER) for an event, the head of a ledger.

    Raises `SignatureError` without the extra part.
    """
    rfc3161 = _library("a time stamp")
    builder = rfc3161.TimestampRequestBuilder().data(event_bytes(event)).nonce(nonce=False)
    builder = builder.hash_algorithm(rfc3161.HashAlgorithm.SHA256).cert_request(cert_request=True)
    request: bytes = builder.build().as_bytes()
    return request


def read_answer(data: bytes, file: Path | str) -> StampAnswer:
    """What an answer (DER) states, not verified yet. Raises `SignatureError`."""
    response = _response(data, file)
    info = response.tst_info
    if info.message_imprint.hash_algorithm.dotted_string != _SHA256:
        raise SignatureError(done="stamped", file=file, reason="its hash is not SHA-256")
    return StampAnswer(
        imprint=info.message_imprint.message.hex(),
        stamped_at=info.gen_time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        authority=_authority(response),
        serial=f"{info.serial_number:x}",
        policy=info.policy.dotted_string,
    )


def read_certificates(data: bytes, file: Path | str) -> list[Certificate]:
    """The certificates (PEM) of an authority. Raises `SignatureError`."""
    _library(file)
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificates(data)
    except ValueError as error:
        reason = "it holds no certificate (PEM)"
        raise SignatureError(done="stamped", file=file, reason=reason) from error


def fault_of(data: bytes, head: str, trusted: Sequence[Certificate]) -> str:
    """What is wrong with an answer for the hash `head` (hex), or "".

    Its signature is verified where certificates are trusted; unproven without the extra part.
    """
    try:
        response = _response(data, "the answer")
        if response.tst_info.message_imprint.message.hex() != head:
            return "its token is of another hash"
        if not trusted:
            return ""
        from rfc3161_client import VerificationError, VerifierBuilder

        builder = VerifierBuilder(roots=list(trusted))
        try:
            builder.build().verify(response, bytes.fromhex(head))
        except (VerificationError, ValueError) as error:
            return f"its signature cannot be verified ({error})"
    except SignatureError as error:
        return "" if _EXTRA in str(error) else "its answer cannot be read"
    return ""


def can_verify() -> bool:
    """Whether the extra part that reads time stamps is installed."""
    try:
        _library("a time stamp")
    except SignatureError:
        return False
    return True


def _response(data: bytes, file: Path | str) -> Any:
    """The answer, granted. Raises `SignatureError`."""
    rfc3161 = _library(file)
    try:
        response = rfc3161.decode_timestamp_response(data)
        status = rfc3161.PKIStatus(response.status)
    except ValueError as error:
        reason = "it is no answer to a time stamp request"
        raise SignatureError(done="stamped", file=file, reason=reason) from error
    if status not in (rfc3161.PKIStatus.GRANTED, rfc3161.PKIStatus.GRANTED_WITH_MODS):
        reason = f"the authority refused ({status.name.lower()})"
        raise SignatureError(done="stamped", file=file, reason=reason)
    return response


def _authority(response: Any) -> str:
    """The name of the certificate that signed, "" where the answer does not hold it."""
    from cryptography import x509

    signers = {(info.issuer, info.serial_number) for info in response.signed_data.signer_infos}
    for der in response.signed_data.certificates:
        certificate = x509.load_der_x509_certificate(der)
        if (certificate.issuer, certificate.serial_number) in signers:
            return str(certificate.subject.rfc4514_string())
    return ""


def _library(file: Path | str) -> Any:
    try:
        import rfc3161_client
    except ModuleNotFoundError:
        raise SignatureError(done="stamped", file=file, reason=_EXTRA) from None
    return rfc3161_client
