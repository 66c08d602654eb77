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
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection, Engine, insert, select

from sieve_registry.errors import EvidenceAlteredError, EvidenceError, RegistryFileError
from sieve_registry.store import schema

_EXTENSION = re.compile(r"\.[a-z0-9]{1,8}", re.ASCII)
_BLOCK = 1 << 20
_INCOMING = ".incoming-"
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

    def stage(self, content: bytes | Path, extension: str) -> Staged:
        """Copy content aside, hashed."""

    def place(self, staged: Staged, extension: str, connection: Connection, /) -> bool:
        """Put staged content where it stays; true when it was not there before."""

    def discard(self, staged: Staged) -> None:
        """Remove staged content that was not placed."""

    def remove(self, sha256: str, extension: str) -> None:
        """Take away what a failed transaction had placed."""

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash, proven."""

    def digest(self, sha256: str, extension: str, connection: Connection, /) -> str:
        """The hash its content has now; `FileNotFoundError` when it is gone."""

    def name_of(self, sha256: str, extension: str) -> str:
        """Its name for a person."""


def file_sha256(path: Path) -> str:
    """SHA-256 (hex) of a file's content. Raises `OSError`."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _stage(folder: Path, content: bytes | Path, extension: str) -> Staged:
    kept = extension.lower() if _EXTENSION.fullmatch(extension.lower()) else ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, prefix=_INCOMING)
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


def _copy(content: bytes | Path, write: Callable[[bytes], object]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    if isinstance(content, bytes):
        write(content)
        return hashlib.sha256(content).hexdigest(), len(content)
    try:
        source = content.open("rb")
    except OSError as error:
        raise EvidenceError(name=content, reason=error.strerror or error) from error
    with source:
        while block := source.read(_BLOCK):
            digest.update(block)
            size += len(block)
            write(block)
    return digest.hexdigest(), size


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

    def stage(self, content: bytes | Path, extension: str) -> Staged:
        """Copy content into the folder under a temporary name, forced to disk.

        Raises `EvidenceError` when a file given cannot be read, `RegistryFileError` when the
        folder cannot be written.
        """
        self._sweep()
        return _stage(self.folder, content, extension)

    def _sweep(self) -> None:
        """Remove what a program that was killed left under temporary names."""
        long_ago = time.time() - _LEFT_OVER_S
        for left in self.folder.glob(f"{_INCOMING}*"):
            try:
                if left.stat().st_mtime < long_ago:
                    left.unlink(missing_ok=True)
            except OSError:
                continue  # another program uses it

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

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash, proven by hashing it again.

        Raises `EvidenceError` when it is missing, `EvidenceAlteredError` when it changed.
        """
        path = self.path_of(sha256, extension)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise EvidenceError(name=path, reason=error.strerror or error) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise EvidenceAlteredError(file=path)
        return data

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

    def stage(self, content: bytes | Path, extension: str) -> Staged:
        """Copy content to this computer's temporary folder. Raises as `EvidenceStore.stage`."""
        return _stage(Path(tempfile.gettempdir()), content, extension)

    def place(self, staged: Staged, extension: str, connection: Connection) -> bool:
        """Insert staged content within the caller's transaction."""
        there = self._content(staged.sha256, connection)
        if there is not None:
            if hashlib.sha256(there).hexdigest() != staged.sha256:
                raise EvidenceAlteredError(file=self.name_of(staged.sha256, extension))
            return False
        row = {"sha256": staged.sha256, "content": staged.temporary.read_bytes()}
        connection.execute(insert(schema.evidence_content), row)
        staged.temporary.unlink(missing_ok=True)
        return True

    def discard(self, staged: Staged) -> None:
        """Remove staged content that was not placed."""
        staged.temporary.unlink(missing_ok=True)

    def remove(self, sha256: str, extension: str) -> None:
        """Nothing to do: the failed transaction took it back itself."""

    def read(self, sha256: str, extension: str) -> bytes:
        """The content of that hash. Raises as `EvidenceStore.read`."""
        with self.engine.connect() as connection:
            data = self._content(sha256, connection)
        name = self.name_of(sha256, extension)
        if data is None:
            raise EvidenceError(name=name, reason="it is not in the database")
        if hashlib.sha256(data).hexdigest() != sha256:
            raise EvidenceAlteredError(file=name)
        return data

    def digest(self, sha256: str, _extension: str, connection: Connection) -> str:
        """The hash the content has now. Raises `FileNotFoundError`."""
        data = self._content(sha256, connection)
        if data is None:
            raise FileNotFoundError(sha256)
        return hashlib.sha256(data).hexdigest()

    def _content(self, sha256: str, connection: Connection) -> bytes | None:
        table = schema.evidence_content
        query = select(table.c.content).where(table.c.sha256 == sha256)
        content = connection.execute(query).scalar_one_or_none()
        return None if content is None else bytes(content)


def _sync_folder(folder: Path) -> None:
    """Force a folder's entries to disk, where the system can (POSIX)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
