"""Database faults as errors of the registry."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from sieve_inspect.errors import SievewardError
from sieve_registry.errors import (
    BrokenRecordError,
    ForeignRegistryError,
    NoRightError,
    RegistryFileError,
    RegistryLockedError,
)

_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_FOREIGN = {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR}
_LOCK_WAITED = "55P03"
_NO_RIGHT = "42501"
_CONSTRAINT = "23"  # the class of broken constraints


@contextmanager
def plain_errors(place: Path | str, busy_ms: int) -> Iterator[None]:
    """Turn database errors into registry errors with advice.

    A broken constraint means that rows and ledger differ: `BrokenRecordError`.
    """
    try:
        yield
    except DBAPIError as error:
        raise _plain_error(error.orig, place, busy_ms) from error
    except sqlite3.Error as error:
        raise _plain_error(error, place, busy_ms) from error
    except UnicodeDecodeError as error:  # a damaged text of SQLite's own: a table's name, a message
        raise _damaged(place, error) from error
    except OSError as error:
        raise RegistryFileError(file=place, reason=error.strerror or str(error)) from error


def _plain_error(error: BaseException | None, place: Path | str, busy_ms: int) -> SievewardError:
    code = getattr(error, "sqlite_errorcode", None)
    if isinstance(error, sqlite3.Error) and not isinstance(code, int):
        return BrokenRecordError(count=1, first=f"a text cannot be read ({error})")
    if not isinstance(code, int):
        return _of_server(error, place, busy_ms)
    primary = code & 0xFF
    if primary in _BUSY:
        return RegistryLockedError(file=place, seconds=busy_ms / 1000)
    if primary in _FOREIGN:
        return _damaged(place, error)
    if primary == sqlite3.SQLITE_CONSTRAINT:
        return BrokenRecordError(count=1, first=str(error))
    return RegistryFileError(file=place, reason=str(error))


def _damaged(place: Path | str, error: BaseException | None) -> ForeignRegistryError:
    return ForeignRegistryError(
        file=place,
        reason=f"it is damaged or something else ({error})",
        advice="Restore it from a backup, or choose another with --registry",
    )


def _of_server(error: BaseException | None, place: Path | str, busy_ms: int) -> SievewardError:
    """The error for a SQLSTATE of PostgreSQL; the first line of its message is the reason."""
    state = getattr(error, "sqlstate", None) or ""
    reason = " ".join(str(error).splitlines()[:1]) or type(error).__name__
    if state == _NO_RIGHT:
        return NoRightError(file=place, reason=reason)
    if state == _LOCK_WAITED:
        return RegistryLockedError(file=place, seconds=busy_ms / 1000)
    if state.startswith(_CONSTRAINT):
        return BrokenRecordError(count=1, first=reason)
    return RegistryFileError(file=place, reason=reason)
