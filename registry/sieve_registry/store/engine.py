"""Opens a registry: one SQLite file in WAL mode, writers one after another, foreign keys on."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

from sieve_registry.errors import ForeignRegistryError, NoRegistryError, RegistryFileError
from sieve_registry.store.evidence import EvidenceStore
from sieve_registry.store.faults import told_plainly
from sieve_registry.store.location import evidence_folder, registry_path
from sieve_registry.store.migrate import revision_of, upgrade
from sieve_registry.store.schema import HEAD_REVISION

__all__ = ["BUSY_MS", "Registry", "open_registry", "utc_now"]

BUSY_MS = 5000
_WRITE = "sieveward_write"


def utc_now() -> datetime:
    """The time now, with its zone."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Registry:
    """An open registry: its file, its evidence folder, and a clock that tests may set."""

    path: Path
    engine: Engine
    evidence: EvidenceStore
    busy_ms: int
    now: Callable[[], datetime] = utc_now

    def today(self) -> date:
        """Today where this computer stands."""
        return self.now().astimezone().date()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view of everything recorded so far."""
        with told_plainly(self.path, self.busy_ms), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The only writer until the block ends: all of it is recorded, or nothing."""
        with told_plainly(self.path, self.busy_ms), self.engine.connect() as connection:
            writer = connection.execution_options(**{_WRITE: True})
            with writer.begin():
                yield writer

    def close(self) -> None:
        """Let go of the file."""
        self.engine.dispose()


def open_registry(
    target: str | Path | None = None,
    *,
    create: bool = False,
    busy_ms: int = BUSY_MS,
    now: Callable[[], datetime] = utc_now,
) -> Registry:
    """Open the registry that `--registry` names, up to date; make it when `create` says so.

    Raises `NoRegistryError` when there is none, `ForeignRegistryError` when the file is something
    else, damaged or of a newer version, `RegistryFileError` when it cannot be reached, and
    `RegistryLockedError` when another program holds it for longer than `busy_ms`.
    """
    path = registry_path(target)
    with told_plainly(path, busy_ms):
        if not path.exists():
            _refuse_file_above(path)
            if not create:
                raise NoRegistryError(file=path)
            _create(path, busy_ms)
        elif path.stat().st_size == 0:
            raise ForeignRegistryError(
                file=path,
                reason="it is empty, and no registry of ours ever is",
                advice="Restore it from a backup, or remove it to begin anew",
            )
    registry = Registry(
        path, _engine(path, busy_ms), EvidenceStore(evidence_folder(path)), busy_ms, now
    )
    try:
        _bring_up_to_date(registry)
    except BaseException:
        registry.close()
        raise
    return registry


def _refuse_file_above(path: Path) -> None:
    """A path that can never be a registry is told apart from one not begun yet."""
    for parent in path.parents:
        if parent.exists():
            if not parent.is_dir():
                raise RegistryFileError(file=path, reason=f"{parent} is not a folder")
            return


def _bring_up_to_date(registry: Registry) -> None:
    with registry.reading() as connection:
        revision = revision_of(connection, registry.path)
    if revision != HEAD_REVISION:
        with registry.writing() as connection:
            upgrade(connection, registry.path)


def _create(path: Path, busy_ms: int) -> None:
    """Make a registry aside and put it in place whole, so that no one ever sees half of one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".new-registry-") as folder:
        draft = Path(folder) / "registry.sqlite"
        engine = _engine(draft, busy_ms, create=True)
        try:
            with engine.connect() as connection:
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.execute("PRAGMA journal_mode=WAL").close()
                writer = connection.execution_options(**{_WRITE: True})
                with writer.begin():
                    upgrade(writer, path)
        finally:
            engine.dispose()
        _put_in_place(draft, path)


def _put_in_place(draft: Path, path: Path) -> None:
    """Give the draft its name unless another program was first; theirs is then as good."""
    try:
        path.hardlink_to(draft)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            draft.rename(path)


def _engine(path: Path, busy_ms: int, *, create: bool = False) -> Engine:
    query = {"mode": "rwc" if create else "rw", "uri": "true"}  # never an empty file by opening
    if not create and not os.access(path.parent, os.W_OK) and not _has_journal(path):
        query |= {"mode": "ro", "immutable": "1"}  # an archived copy can still be asked
    uri = f"file:{_uri_path(path)}"
    engine = create_engine(
        URL.create("sqlite", database=uri, query=query),
        connect_args={"timeout": busy_ms / 1000},
        poolclass=NullPool,
    )
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _has_journal(path: Path) -> bool:
    """Whether another program is, or was, in the middle of writing."""
    journal = path.with_name(f"{path.name}-wal")
    return journal.exists() and journal.stat().st_size > 0


def _uri_path(path: Path) -> str:
    """The path as SQLite's URI form wants it: absolute, and ?, # and % not read as syntax."""
    from urllib.parse import quote

    return quote(os.fspath(path.absolute()).replace("\\", "/"))


def _on_connect(raw: object, _entry: ConnectionPoolEntry) -> None:
    connection = getattr(raw, "driver_connection", raw)
    assert isinstance(connection, sqlite3.Connection)
    connection.isolation_level = None  # transactions are begun below, not by the driver
    connection.text_factory = _read_text
    for pragma in ("foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}").close()


def _read_text(data: bytes) -> str:
    """Damaged text is still read, so that `verify` can name it."""
    return data.decode("utf-8", "surrogateescape")


def _on_begin(connection: Connection) -> None:
    writing = connection.get_execution_options().get(_WRITE)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
