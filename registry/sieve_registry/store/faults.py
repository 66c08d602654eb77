"""Database faults to sentences of our own."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from sieve_registry.errors import (
    BrokenRecordError,
    ForeignRegistryError,
    RegistryFileError,
    RegistryLockedError,
)

__all__ = ["told_plainly"]

_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_FOREIGN = {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR}


@contextmanager
def told_plainly(path: Path, busy_ms: int) -> Iterator[None]:
    """Turn what the database raises into `RegistryError`s that say what to do next.

    A broken constraint means that rows are not what the ledger says: `BrokenRecordError`.
    """
    try:
        yield
    except DBAPIError as error:
        code = getattr(error.orig, "sqlite_errorcode", None)
        if not isinstance(code, int):
            raise
        primary = code & 0xFF
        if primary in _BUSY:
            raise RegistryLockedError(file=path, seconds=busy_ms / 1000) from error
        if primary in _FOREIGN:
            raise ForeignRegistryError(
                file=path,
                reason=f"it is damaged or something else ({error.orig})",
                advice="Restore it from a backup, or choose another with --registry",
            ) from error
        if primary == sqlite3.SQLITE_CONSTRAINT:
            raise BrokenRecordError(count=1, first=str(error.orig)) from error
        raise RegistryFileError(file=path, reason=str(error.orig)) from error
    except OSError as error:
        raise RegistryFileError(file=path, reason=error.strerror or str(error)) from error
