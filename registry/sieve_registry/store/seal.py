"""The note beside a registry file: the newest event and, once the file is at rest, its own hash.

    LAB.head    COUNT HEAD            noted right after each recording
                COUNT HEAD SHA-256    when the program ends and no write-ahead log waits

The first part shows that an end was cut off. The second seals every byte of the file for just
that head, so that a change of unused bytes (free space in SQLite's pages) is detected too. A
program that was killed leaves no seal; the next program to close the registry
sets it. A file changes only with its head, or in a migration, which removes the seal first.

While a hash is taken a read transaction is open that began on an empty log: SQLite then blocks
writes into the file (sqlite.org/wal.html). On POSIX systems closing any handle on a file drops
all locks the process holds on it (sqlite.org/howtocorrupt.html, 2.2), so the handle is closed
after the connection.
"""

from __future__ import annotations

import hashlib
import os
import re
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass, replace
from io import BufferedReader
from pathlib import Path
from urllib.parse import quote

from sieve_registry.store.reading_mode import is_still, log_waits

DAMAGED_NOTE = "the note beside the registry file was damaged"
_LINE = re.compile(rb"([1-9][0-9]{0,17}) ([0-9a-f]{64})(?: ([0-9a-f]{64}))?\n")
_LAST = "SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1"


@dataclass(frozen=True)
class Note:
    """The newest event's number and hash, and the hash of the file as it was with it."""

    count: int
    head: str
    file: str | None = None


def read_note(path: Path) -> Note | None:
    """The note, or None where there is none. Raises `ValueError` when it was damaged."""
    try:
        data = path.read_bytes()
    except OSError:
        return None
    line = _LINE.fullmatch(data)
    if line is None:
        raise ValueError(DAMAGED_NOTE)
    count, head, file = line.groups()
    return Note(int(count), head.decode(), None if file is None else file.decode())


def write_note(path: Path, note: Note) -> None:
    """Write the note in one step; a full or read-only disk is no error here."""
    words = (str(note.count), note.head, note.file)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-head-")
        try:
            with os.fdopen(handle, "w") as stream:
                stream.write(" ".join(word for word in words if word) + "\n")
            Path(name).chmod(0o644)  # readable like the registry
            Path(name).replace(path)
        except OSError:
            Path(name).unlink(missing_ok=True)
    except OSError:
        return


def note_head(path: Path, note: Note) -> None:
    """Note a newly recorded event, unless another program noted a later one meanwhile."""
    try:
        before = read_note(path)
    except ValueError:
        before = None
    if before is None or before.count <= note.count:
        write_note(path, note)


def remove_seal(path: Path | None) -> None:
    """Take the seal off before the file is changed without a new event."""
    try:
        note = None if path is None else read_note(path)
    except ValueError:
        return  # `verify` reports it
    if path is not None and note is not None and note.file is not None:
        write_note(path, replace(note, file=None))


def seal(file: Path, note_path: Path) -> None:
    """Note the hash of a file at rest, unless that is noted already. Never raises."""
    try:
        note = read_note(note_path)
        if note is None or note.file is not None or is_still(file):
            return
        with file.open("rb") as raw, closing(connect(file)) as connection:
            digest = _digest_with(connection, raw, file, note)
            if digest is not None:
                write_note(note_path, replace(note, file=digest))
    except (OSError, ValueError, sqlite3.Error):
        return


def seal_fault(file: Path, raw: BufferedReader, note: Note | None) -> tuple[bool, str]:
    """Whether the file can be compared with its seal, and the fault, or ""."""
    if note is None or note.file is None:
        return False, ""
    with closing(connect(file)) as connection:
        digest = _digest_with(connection, raw, file, note)
    if digest is None:
        return False, ""
    if digest == note.file:
        return True, ""
    return (
        True,
        "its bytes differ from those sealed when it was closed, perhaps in unused space only",
    )


def connect(file: Path) -> sqlite3.Connection:
    """A connection that only reads; also to a copy in a folder that cannot be written."""
    # One that may only read would leave its empty log behind when it is the last to close.
    how = "mode=ro&immutable=1" if is_still(file) else "mode=rw"
    uri = f"file:{quote(os.fspath(file.absolute()))}?{how}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None)
    connection.execute("PRAGMA query_only=ON")
    return connection


def _digest_with(
    connection: sqlite3.Connection, raw: BufferedReader, file: Path, note: Note
) -> str | None:
    """The hash of the file if it is at rest with the head noted, else None."""
    connection.execute("BEGIN")
    if connection.execute(_LAST).fetchone() != (note.count, note.head) or log_waits(file):
        return None
    raw.seek(0)
    return hashlib.file_digest(raw, "sha256").hexdigest()
