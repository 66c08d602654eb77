"""Files: written completely or not at all, and compared by their content."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from sieve_inspect.errors import SameImageError, UnwritableOutputError

_DATABASE = b"SQLite format 3\0"  # how a registry's file begins


def refuse_twins(paths: Sequence[Path]) -> None:
    """Raise `SameImageError` for two files of the same bytes.

    Only files of equal size are read. An unreadable file is left to the caller that needs it.
    """
    sizes = [_size(path) for path in paths]
    seen: dict[tuple[int, bytes], Path] = {}
    for path, size in zip(paths, sizes, strict=True):
        if not size or sizes.count(size) == 1:
            continue
        try:
            with path.open("rb") as file:
                key = size, hashlib.file_digest(file, "sha256").digest()
        except OSError:
            continue
        if key in seen:
            raise SameImageError(first=seen[key], second=path)
        seen[key] = path


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def check_writable(path: Path) -> None:
    """Check that a file can be written there, by trying its folder; nothing is left behind.

    Raises `UnwritableOutputError`.
    """
    if path.is_dir():
        raise UnwritableOutputError(file=path, reason="it is a folder")
    handle, name = _beside(path)
    os.close(handle)
    Path(name).unlink(missing_ok=True)


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file beside its place and move it there when it is complete.

    Raises `UnwritableOutputError`; an error or interrupt leaves no partial file.
    """
    handle, name = _beside(path)
    partial = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(pieces)
        umask = os.umask(0)
        os.umask(umask)
        partial.chmod(0o666 & ~umask)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def _beside(path: Path) -> tuple[int, str]:
    """A new open file in the same folder, and its name; a registry is never replaced."""
    try:
        if path.is_file():
            with path.open("rb") as file:
                if file.read(len(_DATABASE)) == _DATABASE:
                    reason = "it is a registry; name another file"
                    raise UnwritableOutputError(file=path, reason=reason)
        return tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}-")
    except OSError as error:
        raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error
