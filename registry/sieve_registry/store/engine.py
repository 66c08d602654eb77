"""Opens a registry: an SQLite file in WAL mode, or a PostgreSQL database; one writer at a time."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

from sieve_inspect.errors import UsageError
from sieve_registry.errors import (
    ForeignRegistryError,
    NetworkDriveError,
    NoRegistryError,
    RegistryFileError,
)
from sieve_registry.store import heads, server
from sieve_registry.store.database_errors import plain_errors
from sieve_registry.store.evidence import EvidenceKeeper, EvidenceStore
from sieve_registry.store.location import Place, network_system, place_of
from sieve_registry.store.migrate import is_empty, revision_of, seal_schema, upgrade
from sieve_registry.store.reading_mode import (
    Opening,
    opening_of,
    require_space,
    still_opening,
)
from sieve_registry.store.schema import HEAD_INFO, HEAD_REVISION, WRITER_INFO
from sieve_registry.store.seal import Note, note_head, remove_seal, seal, write_note
from sieve_registry.store.unsaid import note_unsaid

BUSY_MS = 5000
PRAGMAS = ("foreign_keys=ON", "synchronous=FULL")  # of every connection to a file
_WRITE = "sieveward_write"


def utc_now() -> datetime:
    """The time now, with its zone."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Registry:
    """An open registry: its place, its evidence, and a clock that tests may set.

    `identify` is how a face learns who has signed in: their id or name, "" for nobody. `follow_up`
    may append more events to a transaction that recorded some.
    """

    place: Place
    engine: Engine
    evidence: EvidenceKeeper
    busy_ms: int
    opening: Opening | None = None  # of a file
    now: Callable[[], datetime] = utc_now
    identify: Callable[[Registry], str] | None = None
    follow_up: Callable[[Registry, Connection], None] | None = None

    @property
    def path(self) -> Path:
        """The registry's file; raises `UsageError` where it lies on a server."""
        if self.place.path is None:
            raise UsageError(message=f"{self.where} is a server's registry and has no file.")
        return self.place.path

    @property
    def where(self) -> str:
        """The place in words, without a password."""
        return self.place.shown

    @property
    def head_note(self) -> Path | None:
        """The small file that notes the newest event, so that a cut-off end is noticed."""
        return None if self.place.path is None else self.place.path.with_suffix(".head")

    def today(self) -> date:
        """Today by local time."""
        return self.now().astimezone().date()

    def signed_in(self) -> str:
        """The id or name of the person signed in, "" for nobody."""
        return "" if self.identify is None else self.identify(self)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view of everything recorded so far."""
        with plain_errors(self.where, self.busy_ms), self.engine.connect() as connection:
            if self.place.url is not None:
                connection.execution_options(**server.READING)
            connection.info.pop(WRITER_INFO, None)  # of an earlier transaction in a pool
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, *, after_loss: bool = False) -> Iterator[Connection]:
        """The only writer until the block ends: it records everything, or nothing.

        Raises `LostEventsError` for a registry that lacks its newest known event, unless it is
        written to `after_loss`.
        """
        if self.place.path is not None:
            require_space(self.place.path)
        signed_in = self.signed_in()  # a face may ask: before anybody waits for this writer
        with plain_errors(self.where, self.busy_ms), self.engine.connect() as connection:
            writer = connection.execution_options(**{_WRITE: True})
            writer.info.pop(HEAD_INFO, None)
            writer.info[WRITER_INFO] = {"signed_in": signed_in}
            with writer.begin():
                if not after_loss:
                    heads.refuse_lost(writer, self.place, self.head_note)
                yield writer
                if self.follow_up is not None and HEAD_INFO in writer.info:
                    self.follow_up(self, writer)
                head = writer.info.pop(HEAD_INFO, None)
                first = None if head is None else heads.first_hash(writer)
                if head is not None:
                    note_unsaid(self.place, *head)
        if head is not None:
            if self.head_note is not None:
                (write_note if after_loss else note_head)(self.head_note, Note(*head))
            if first is not None:
                heads.journal_head(self.place, first, head[0], head[1], self.now())

    def close(self) -> None:
        """Close the file, sealed, or the connection to the server."""
        self.engine.dispose()
        if self.opening is not None:
            self.opening.close()
        if self.place.path is not None and self.head_note is not None:
            seal(self.place.path, self.head_note)


def open_registry(
    target: str | Path | None = None,
    *,
    create: bool = False,
    busy_ms: int = BUSY_MS,
    now: Callable[[], datetime] = utc_now,
) -> Registry:
    """Open the registry that `--registry` names, up to date; with `create` make it.

    Raises `NoRegistryError` when there is none, `ForeignRegistryError` when the file is something
    else, damaged or of a newer version, `RegistryFileError` when it cannot be reached,
    `NetworkDriveError` on a drive of several computers, and `RegistryLockedError` when another
    program holds it for longer than `busy_ms`.
    """
    place = place_of(target)
    evidence: EvidenceKeeper
    opening: Opening | None = None
    if place.path is None:
        engine, evidence = server.connect(place)
        event.listen(engine, "begin", lambda c: server.on_begin(c, busy_ms, _is_writing(c)))
    else:
        if _prepare_file(place.path, create, busy_ms):
            heads.journal_new(place, now())
        opening = opening_of(place.path)
        engine, evidence = _engine(opening, busy_ms), EvidenceStore(place.evidence or place.path)
    registry = Registry(place, engine, evidence, busy_ms, opening, now)
    try:
        _bring_up_to_date(registry, create)
    except RegistryFileError:
        registry.close()
        if place.path is None or opening is None or opening.file is not place.path or opening.still:
            raise
        return _still(registry, place.path)  # no room beside the file, or no right there
    except BaseException:
        registry.close()
        raise
    return registry


def _still(registry: Registry, path: Path) -> Registry:
    """The registry opened for reading alone. Raises as `open_registry`."""
    opening = still_opening(path)
    still = replace(registry, engine=_engine(opening, registry.busy_ms), opening=opening)
    try:
        _bring_up_to_date(still, create=False)
    except BaseException:
        still.close()
        raise
    return still


def _is_writing(connection: Connection) -> bool:
    return bool(connection.get_execution_options().get(_WRITE))


def _prepare_file(path: Path, create: bool, busy_ms: int) -> bool:
    """Check that a registry can be there; true when it was created now."""
    with plain_errors(path, busy_ms):
        system = network_system(path)
        if system is not None:
            raise NetworkDriveError(file=path, system=system)
        if not path.exists():
            _refuse_file_above(path)
            if not create:
                raise NoRegistryError(file=path)
            _create(path, busy_ms)
            path.with_suffix(".head").unlink(missing_ok=True)  # of a file that was there before
            return True
        if path.is_dir():
            raise RegistryFileError(file=path, reason="it is a folder")
        if path.stat().st_size == 0:
            raise ForeignRegistryError(
                file=path,
                reason="it is empty, which a registry never is",
                advice="Restore it from a backup, or remove it to begin anew",
            )
    return False


def _refuse_file_above(path: Path) -> None:
    """Raise for a path below a file, which can never be a registry."""
    for parent in path.parents:
        if parent.exists():
            if not parent.is_dir():
                raise RegistryFileError(file=path, reason=f"{parent} is not a folder")
            return


def _bring_up_to_date(registry: Registry, create: bool) -> None:
    with registry.reading() as connection:
        empty = registry.place.url is not None and is_empty(connection)
        revision = None if empty else revision_of(connection, registry.where)
    if empty and not create:
        raise NoRegistryError(file=registry.where)
    if empty:
        heads.journal_new(registry.place, registry.now())
    if revision != HEAD_REVISION:
        remove_seal(registry.head_note)
        with registry.writing(after_loss=True) as connection:  # nothing is appended
            upgrade(connection, registry.where)
            seal_schema(connection)


def _create(path: Path, busy_ms: int) -> None:
    """Make a registry under another name and move it into place complete."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".new-registry-") as folder:
        draft = Path(folder) / "registry.sqlite"
        engine = _engine(Opening(draft), busy_ms, create=True)
        try:
            with engine.connect() as connection:
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.execute("PRAGMA journal_mode=WAL").close()
                writer = connection.execution_options(**{_WRITE: True})
                with writer.begin():
                    upgrade(writer, path)
                    seal_schema(writer)
        finally:
            engine.dispose()
        _put_in_place(draft, path)


def _put_in_place(draft: Path, path: Path) -> None:
    """Give the draft its name unless another program was first."""
    try:
        path.hardlink_to(draft)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            draft.rename(path)


def _engine(opening: Opening, busy_ms: int, *, create: bool = False) -> Engine:
    query = {"mode": "rwc" if create else "rw", "uri": "true"}  # never an empty file by opening
    if opening.still:
        query |= {"mode": "ro", "immutable": "1"}
    uri = f"file:{_uri_path(opening.file)}"
    engine = create_engine(
        URL.create("sqlite", database=uri, query=query),
        connect_args={"timeout": busy_ms / 1000},
        poolclass=NullPool,
    )
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _uri_path(path: Path) -> str:
    """The path as SQLite's URI form wants it: absolute, and ?, # and % not read as syntax."""
    from urllib.parse import quote

    return quote(os.fspath(path.absolute()).replace("\\", "/"))


def _on_connect(raw: object, _entry: ConnectionPoolEntry) -> None:
    connection = getattr(raw, "driver_connection", raw)
    assert isinstance(connection, sqlite3.Connection)
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}").close()


def _on_begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if _is_writing(connection) else "BEGIN")
