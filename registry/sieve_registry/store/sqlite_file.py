"""Checks of an SQLite file beyond its rows: structure, header, tables and triggers.

Layout of the header: the SQLite file format, section 1.3 (sqlite.org/fileformat2.html).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

from sieve_registry.ledger.records import Finding
from sieve_registry.store.migrate import SCHEMA_QUERY, SEAL, hash_of_schema
from sieve_registry.store.reading_mode import log_waits
from sieve_registry.store.schema import FORMAT, HEAD_REVISION
from sieve_registry.store.seal import Note, connect, seal_fault

_SUBJECT = "registry file"
_MOST_FAULTS = 5
# Offset, length and the only value a registry has there: write-ahead log, UTF-8, no vacuuming.
_FIXED = (
    (18, 1, 2, "write version"),
    (19, 1, 2, "read version"),
    (20, 1, 0, "reserved space"),
    (21, 1, 64, "largest payload share"),
    (22, 1, 32, "smallest payload share"),
    (23, 1, 32, "leaf payload share"),
    (44, 4, 4, "schema format"),
    (48, 4, 0, "cache size"),
    (52, 4, 0, "vacuum root"),
    (56, 4, 1, "text encoding"),
    (60, 4, 0, "user version"),
    (64, 4, 0, "vacuum mode"),
    (68, 4, 0, "application id"),
    (72, 20, 0, "reserved bytes"),
)
_MAGIC = b"SQLite format 3\x00"
_VERSIONS = range(3_000_000, 4_000_000)  # the version of SQLite that wrote last


@dataclass(frozen=True)
class OpenFile:
    """A registry file opened for reading, and the note beside it.

    Close it after every connection to the file (reason in `seal`).
    """

    path: Path
    raw: BufferedReader
    note: Note | None


def check_file(file: OpenFile) -> tuple[list[Finding], bool]:
    """Findings about structure, header, tables, triggers and seal; whether a seal was compared."""
    try:
        sealed, fault = (
            (False, "") if file.note is None else seal_fault(file.path, file.raw, file.note)
        )
        with closing(connect(file.path)) as connection:
            connection.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
            messages = [*_structure(connection), *_header(file), *_schema(connection), fault]
            findings = [Finding("file", message, _SUBJECT) for message in messages if message]
            return _foreign_keys(connection) + findings, sealed
    except sqlite3.Error as error:
        return [Finding("file", f"it cannot be read: {error}", _SUBJECT)], False


def _structure(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute(f"PRAGMA integrity_check({_MOST_FAULTS})").fetchall()
    return [str(line) for (line,) in rows if line != "ok"]


def _foreign_keys(connection: sqlite3.Connection) -> list[Finding]:
    return [
        Finding("records", f"a row refers to a {row[2]} that does not exist", f"{row[0]} {row[1]}")
        for row in connection.execute("PRAGMA foreign_key_check").fetchall()
    ]


def _header(file: OpenFile) -> list[str]:
    """Faults of the first 100 bytes; none while a write-ahead log waits."""
    try:
        if log_waits(file.path):
            return []  # the newest header may still be in the log
        file.raw.seek(0)
        header = file.raw.read(100)
        size = file.path.stat().st_size
    except OSError as error:
        return [f"it cannot be read: {error.strerror or error}"]
    if len(header) < 100 or header[:16] != _MAGIC:
        return ["its header is damaged"]
    faults = [
        f"its header is damaged ({name})"
        for offset, length, value, name in _FIXED
        if int.from_bytes(header[offset : offset + length], "big") != value
    ]
    page = int.from_bytes(header[16:18], "big")
    page = 65536 if page == 1 else page
    number = {at: int.from_bytes(header[at : at + 4], "big") for at in (24, 28, 92, 96)}
    if number[28] * page != size:
        faults.append("its header is damaged (number of pages)")
    if number[24] != number[92]:
        faults.append("its header is damaged (change counter)")
    if number[96] not in _VERSIONS:
        faults.append("its header is damaged (version)")
    return faults


def _schema(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute("SELECT name, value FROM registry_info").fetchall()
    info = dict(rows)
    faults = []
    if info.get(SEAL) != hash_of_schema(connection.execute(SCHEMA_QUERY).fetchall()):
        faults.append("its tables or triggers were changed")
    if info.keys() != {"format", SEAL} or info["format"] != FORMAT or len(info) != len(rows):
        faults.append("its description of itself (registry_info) was altered")
    versions = [row[0] for row in connection.execute("SELECT version_num FROM alembic_version")]
    if versions != [HEAD_REVISION]:
        faults.append(f"its schema version reads {versions}")
    return faults
