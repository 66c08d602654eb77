"""Signatures of the ledger's head with a private key: Ed25519 (RFC 8032), optional.

What is signed is the canonical JSON of {"schema", "events", "head"}: the public key
proves that this chain, up to this event, existed when it was signed.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from sieve_inspect.files import read_file
from sieve_registry.errors import SignatureError
from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.ledger.events import HeadSigned

ALGORITHM = "Ed25519"
_PUBLIC = re.compile(r"[0-9a-f]{64}")
_MOST_KEY_BYTES = 65_536
_EXTRA = 'signing with a key needs an extra part: pip install "sieveward[sign]"'


def message_of(events: int, head: str) -> bytes:
    """The bytes that are signed."""
    return canonical_text({"schema": "sieveward.head/1", "events": events, "head": head}).encode()


def new_key(path: Path) -> str:
    """Write a new private key (PEM, readable by its owner alone) and return its public key (hex).

    Raises `SignatureError` when the file is there already or cannot be written.
    """
    keys = _library(path)
    from cryptography.hazmat.primitives import serialization as forms

    key = keys.Ed25519PrivateKey.generate()
    data = key.private_bytes(forms.Encoding.PEM, forms.PrivateFormat.PKCS8, forms.NoEncryption())
    try:
        path.touch(mode=0o600, exist_ok=False)
        path.write_bytes(data)
    except OSError as error:
        raise SignatureError(done="signed", file=path, reason=error.strerror or error) from error
    return _hex(key.public_key())


def sign_head(path: Path, events: int, head: str) -> HeadSigned:
    """The payload of a signature made with the key in `path`. Raises `SignatureError`."""
    keys = _library(path)
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(read_file(path, _MOST_KEY_BYTES), password=None)
    except OSError as error:
        raise SignatureError(done="signed", file=path, reason=error.strerror or error) from error
    except (ValueError, TypeError) as error:
        raise SignatureError(done="signed", file=path, reason="it holds no readable key") from error
    if not isinstance(key, keys.Ed25519PrivateKey):
        raise SignatureError(done="signed", file=path, reason="its key is not of the kind Ed25519")
    return HeadSigned(
        algorithm=ALGORITHM,
        events=events,
        head=head,
        public_key=_hex(key.public_key()),
        signature=key.sign(message_of(events, head)).hex(),
    )


def public_key(text: str) -> str:
    """A public key (hex) as typed, or from a file with its text. Raises `SignatureError`.

    It proves nothing without the library that checks signatures, so that has to be installed.
    """
    _library(Path(text))
    key = text.strip()
    if not _PUBLIC.fullmatch(key.lower()):
        try:
            key = read_file(Path(text), _MOST_KEY_BYTES).decode("ascii", "replace").strip()
        except OSError as error:
            reason = error.strerror or error
            raise SignatureError(done="verified", file=text, reason=reason) from error
    if not _PUBLIC.fullmatch(key.lower()):
        reason = "a public key has 64 hexadecimal digits, as `sign --new-key` prints it"
        raise SignatureError(done="verified", file=text, reason=reason)
    return key.lower()


def fault_of(signed: HeadSigned, seq: int, previous: str) -> str:
    """What is wrong with the signature of event `seq`, or ""; unproven without the extra."""
    if signed.events != seq - 1 or signed.head != previous:
        return "signs another head than that of the event before it"
    try:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    except ModuleNotFoundError:
        return ""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signed.public_key))
        message = message_of(signed.events, signed.head)
        key.verify(bytes.fromhex(signed.signature), message)
    except (InvalidSignature, ValueError):
        return "its signature does not fit its key"
    return ""


def _library(path: Path) -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ModuleNotFoundError:
        raise SignatureError(done="signed", file=path, reason=_EXTRA) from None
    return ed25519


def _hex(public_key: Any) -> str:
    return str(public_key.public_bytes_raw().hex())
