"""Evidence: files kept under the SHA-256 of their content, written once.

A file is first copied to a temporary name and forced to disk (`stage`); only inside the
transaction that records it is it moved to its place (`place`). What a failed transaction had
placed is taken away again, so no evidence stands without its record.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection, Engine, func, insert, select

from sieve_inspect.files import open_regular
from sieve_registry.errors import EvidenceAlteredError, EvidenceError, RegistryFileError
from sieve_registry.store import schema
from sieve_registry.store.programs import has_ended, this_program

_EXTENSION = re.compile(r"\.[a-z0-9]{1,8}", re.ASCII)
_BLOCK = 1 << 20
_INCOMING = ".incoming-"
Content = bytes | Path | Iterable[bytes]
_LEFT_OVER_S = 24 * 3600.0  # nothing is staged for a day: older ones were left by a crash


@dataclass(frozen=True)
class Staged:
    """Content on disk under a temporary name, waiting for its transaction."""

    sha256: str
    extension: str
    size: int
    temporary: Path


class EvidenceKeeper(Protocol):
    """A place evidence is kept in: a folder, or the database."""

    def stage(self, content: Content, extension: str) -> Staged:
        """Copy content aside, hashed."""

    def place(self, staged: Staged, extension: str, connection: Connection, /) -> bool:
        """Put staged content where it stays; true when it was not there before."""

    def discard(self, staged: Staged) -> None:
        """Remove staged content that was not placed."""

    def remove(self, sha256: str, extension: str) -> None:
        """Take away what a failed transaction had placed."""

    def blocks(self, sha256: str, extension: str) -> Iterator[bytes]:
        """The content of that hash piece by piece, proven at the end."""

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash, proven."""

    def digest(self, sha256: str, extension: str, connection: Connection, /) -> str:
        """The hash its content has now; `FileNotFoundError` when it is gone."""

    def name_of(self, sha256: str, extension: str) -> str:
        """Its name for a person."""


def _proven(blocks: Iterable[bytes], sha256: str, name: Path | str) -> Iterator[bytes]:
    """The blocks; raises `EvidenceAlteredError` after the last where the hash is another."""
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
        yield block
    if digest.hexdigest() != sha256:
        raise EvidenceAlteredError(file=name)


def file_sha256(path: Path) -> str:
    """SHA-256 (hex) of a file's content. Raises `OSError`."""
    digest = hashlib.sha256()
    with open_regular(path) as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _stage(folder: Path, content: Content, extension: str) -> Staged:
    kept = extension.lower() if _EXTENSION.fullmatch(extension.lower()) else ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sweep(folder)
        handle, name = tempfile.mkstemp(dir=folder, prefix=f"{_INCOMING}{this_program()}-")
    except OSError as error:
        raise RegistryFileError(file=folder, reason=error.strerror or error) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as target:
            digest, size = _copy(content, target.write)
            target.flush()
            os.fsync(target.fileno())
        return Staged(digest, kept, size, temporary)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise RegistryFileError(file=folder, reason=error.strerror or error) from error
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _sweep(folder: Path) -> None:
    """Remove what programs that were killed left under temporary names.

    On this computer at once; what another computer or an earlier version left, after a day.
    """
    long_ago = time.time() - _LEFT_OVER_S
    for left in folder.glob(f"{_INCOMING}*"):
        try:
            if has_ended(left.name.removeprefix(_INCOMING)) or left.stat().st_mtime < long_ago:
                left.unlink(missing_ok=True)
        except OSError:
            continue  # another program uses it


def _copy(content: Content, write: Callable[[bytes], object]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    blocks = file_blocks(content) if isinstance(content, Path) else content
    for block in (blocks,) if isinstance(blocks, bytes) else blocks:
        digest.update(block)
        size += len(block)
        write(block)
    return digest.hexdigest(), size


def file_blocks(path: Path) -> Iterator[bytes]:
    """The content of a file piece by piece. Raises `EvidenceError`."""
    try:
        with open_regular(path) as source:
            while block := source.read(_BLOCK):
                yield block
    except OSError as error:
        raise EvidenceError(name=path, reason=error.strerror or error) from error


@dataclass(frozen=True)
class EvidenceStore:
    """One evidence folder."""

    folder: Path

    def path_of(self, sha256: str, extension: str) -> Path:
        """Where content of that hash lies: `ab/abcdef….ext`."""
        return self.folder / sha256[:2] / f"{sha256}{extension}"

    def name_of(self, sha256: str, extension: str) -> str:
        """Its path within the folder."""
        return f"{sha256[:2]}/{sha256}{extension}"

    def stage(self, content: Content, extension: str) -> Staged:
        """Copy content into the folder under a temporary name, forced to disk.

        Raises `EvidenceError` when a file given cannot be read, `RegistryFileError` when the
        folder cannot be written.
        """
        return _stage(self.folder, content, extension)

    def place(self, staged: Staged, extension: str, _connection: Connection) -> bool:
        """Move staged content to its place; true when it was not there before.

        Content already there is compared first: a new check must not use altered evidence.
        """
        target = self.path_of(staged.sha256, extension)
        try:
            if target.exists():
                if file_sha256(target) != staged.sha256:
                    raise EvidenceAlteredError(file=target)
                staged.temporary.unlink(missing_ok=True)
                return False
            target.parent.mkdir(exist_ok=True)
            staged.temporary.chmod(0o444)
            staged.temporary.replace(target)
            _sync_folder(target.parent)
            _sync_folder(self.folder)
        except OSError as error:
            raise RegistryFileError(file=self.folder, reason=error.strerror or error) from error
        return True

    def discard(self, staged: Staged) -> None:
        """Remove staged content that was not placed."""
        staged.temporary.unlink(missing_ok=True)

    def remove(self, sha256: str, extension: str) -> None:
        """Take away a file placed by a transaction that failed."""
        self.path_of(sha256, extension).unlink(missing_ok=True)

    def blocks(self, sha256: str, extension: str) -> Iterator[bytes]:
        """The content of that hash piece by piece, proven by hashing it again.

        Raises `EvidenceError` when it is missing, `EvidenceAlteredError` when it changed.
        """
        path = self.path_of(sha256, extension)
        return _proven(file_blocks(path), sha256, path)

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash. Raises as `blocks`."""
        return b"".join(self.blocks(sha256, extension))

    def digest(self, sha256: str, extension: str, _connection: Connection) -> str:
        """The hash the file has now. Raises `OSError`."""
        return file_sha256(self.path_of(sha256, extension))


@dataclass(frozen=True)
class DatabaseEvidence:
    """Evidence kept in the registry's own database, for benches that share no folder."""

    engine: Engine

    def name_of(self, sha256: str, extension: str) -> str:
        """Its hash and kind."""
        return f"{sha256}{extension}"

    def stage(self, content: Content, extension: str) -> Staged:
        """Copy content to this computer's temporary folder. Raises as `EvidenceStore.stage`."""
        return _stage(Path(tempfile.gettempdir()), content, extension)

    def place(self, staged: Staged, extension: str, connection: Connection) -> bool:
        """Insert staged content within the caller's transaction."""
        if self._is_kept(staged.sha256, connection):
            if self.digest(staged.sha256, extension, connection) != staged.sha256:
                raise EvidenceAlteredError(file=self.name_of(staged.sha256, extension))
            return False
        position = -1
        for position, block in enumerate(file_blocks(staged.temporary)):
            row = {"sha256": staged.sha256, "position": position, "content": block}
            connection.execute(insert(schema.evidence_chunk), row)
        if position < 0:  # an empty file has a row too, which shows that it is kept
            row = {"sha256": staged.sha256, "position": 0, "content": b""}
            connection.execute(insert(schema.evidence_chunk), row)
        staged.temporary.unlink(missing_ok=True)
        return True

    def discard(self, staged: Staged) -> None:
        """Remove staged content that was not placed."""
        staged.temporary.unlink(missing_ok=True)

    def remove(self, sha256: str, extension: str) -> None:
        """Nothing to do: the failed transaction took it back itself."""

    def blocks(self, sha256: str, extension: str) -> Iterator[bytes]:
        """The content of that hash piece by piece. Raises as `EvidenceStore.blocks`."""
        name = self.name_of(sha256, extension)
        with self.engine.connect() as connection:
            if not self._is_kept(sha256, connection):
                raise EvidenceError(name=name, reason="it is not in the database")
            yield from _proven(self._pieces(sha256, connection), sha256, name)

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash. Raises as `EvidenceStore.blocks`."""
        return b"".join(self.blocks(sha256, extension))

    def digest(self, sha256: str, _extension: str, connection: Connection) -> str:
        """The hash the content has now. Raises `FileNotFoundError`."""
        if not self._is_kept(sha256, connection):
            raise FileNotFoundError(sha256)
        digest = hashlib.sha256()
        for block in self._pieces(sha256, connection):
            digest.update(block)
        return digest.hexdigest()

    def _is_kept(self, sha256: str, connection: Connection) -> bool:
        tables = (schema.evidence_chunk, schema.evidence_content)
        queries = (select(table.c.sha256).where(table.c.sha256 == sha256) for table in tables)
        return any(connection.execute(query.limit(1)).first() is not None for query in queries)

    def _pieces(self, sha256: str, connection: Connection) -> Iterator[bytes]:
        """The content in chunks, or in parts of what was kept whole before chunks were."""
        chunk, whole = schema.evidence_chunk, schema.evidence_content
        position = 0
        query = select(chunk.c.content).where(chunk.c.sha256 == sha256)
        while (
            block := connection.execute(
                query.where(chunk.c.position == position)
            ).scalar_one_or_none()
        ) is not None:
            yield bytes(block)
            position += 1
        if position:
            return
        start = 1  # the first byte, as SQL counts
        while block := connection.execute(
            select(func.substr(whole.c.content, start, _BLOCK)).where(whole.c.sha256 == sha256)
        ).scalar_one_or_none():
            yield bytes(block)
            start += _BLOCK


def _sync_folder(folder: Path) -> None:
    """Force a folder's entries to disk, where the system can (POSIX)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
