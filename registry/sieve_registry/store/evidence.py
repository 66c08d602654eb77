"""The evidence folder: files kept under the SHA-256 of their content, written once.

A file is first copied to a temporary name in the folder and forced to disk (`stage`); only inside
the transaction that records it is it moved to its place (`place`). What a failed transaction had
placed is taken away again, so no evidence stands without its record.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sieve_registry.errors import EvidenceAlteredError, EvidenceError, RegistryFileError

__all__ = ["EvidenceStore", "Staged", "file_sha256"]

_EXTENSION = re.compile(r"\.[a-z0-9]{1,8}", re.ASCII)
_BLOCK = 1 << 20


@dataclass(frozen=True)
class Staged:
    """Content on disk under a temporary name, waiting for its transaction."""

    sha256: str
    extension: str
    size: int
    temporary: Path


def file_sha256(path: Path) -> str:
    """SHA-256 (hex) of a file's content. Raises `OSError`."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


@dataclass(frozen=True)
class EvidenceStore:
    """One evidence folder."""

    folder: Path

    def path_of(self, sha256: str, extension: str) -> Path:
        """Where content of that hash lies: `ab/abcdef….ext`."""
        return self.folder / sha256[:2] / f"{sha256}{extension}"

    def stage(self, content: bytes | Path, extension: str) -> Staged:
        """Copy content into the folder under a temporary name, forced to disk.

        Raises `EvidenceError` when a file given cannot be read, `RegistryFileError` when the
        folder cannot be written.
        """
        kept = extension.lower() if _EXTENSION.fullmatch(extension.lower()) else ""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.folder, prefix=".incoming-")
        except OSError as error:
            raise RegistryFileError(file=self.folder, reason=error.strerror or error) from error
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as target:
                digest, size = self._copy(content, target.write)
                target.flush()
                os.fsync(target.fileno())
            return Staged(digest, kept, size, temporary)
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise RegistryFileError(file=self.folder, reason=error.strerror or error) from error
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise

    @staticmethod
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

    def place(self, staged: Staged, extension: str) -> bool:
        """Move staged content to its place; true when it was not there before.

        Content already there is compared first: a new check must not lean on altered evidence.
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


def _sync_folder(folder: Path) -> None:
    """Force a folder's entries to disk, where the system can (POSIX)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
