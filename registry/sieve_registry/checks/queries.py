"""A check with its margins and evidence."""

from __future__ import annotations

import re

from sieve_registry.errors import EvidenceError, UnknownCheckError
from sieve_registry.ledger.records import CheckDetail
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

_CHECK_NUMBER = re.compile(r"(?:[Cc]-?)?0*([0-9]{1,9})", re.ASCII)


def get_check(registry: Registry, check_id: str) -> CheckDetail:
    """A check by its number: `C-0001`, `c-1` and `1` all name the first.

    Raises `UnknownCheckError`.
    """
    match = _CHECK_NUMBER.fullmatch(check_id.strip())
    if match is not None:
        with registry.reading() as connection:
            detail = reader.check_detail(connection, f"C-{int(match[1]):04d}")
        if detail is not None:
            return detail
    raise UnknownCheckError(check=check_id[:40])


def evidence_bytes(registry: Registry, sha256: str) -> bytes:
    """The content of an evidence file, hashed again on the way.

    Raises `EvidenceError` when it is not there, `EvidenceAlteredError` when it changed.
    """
    with registry.reading() as connection:
        extension = reader.evidence_extension(connection, sha256)
    if extension is None:
        raise EvidenceError(name=sha256[:64], reason="no check refers to it")
    return registry.evidence.read(sha256, extension)
