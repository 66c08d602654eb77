"""Files: read only where they are regular and within a limit, written completely or not at all.

An input may be anything a path can name. A device or pipe may never end and could keep the program
waiting, so it is refused. An output never replaces what is no regular file: what it names is
written to (a pipe, a terminal) or refused (a disk, a socket), and a link is followed to its file.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
import tempfile
from collections.abc import Iterable, Sequence
from io import BufferedReader
from pathlib import Path
from typing import Any

from sieve_inspect.errors import SameImageError, UnwritableOutputError

_DATABASE = b"SQLite format 3\0"  # how a registry's file begins
MOST_JSON_BYTES = 16_000_000  # of a scale or illumination; they have some kB
_SYSTEM = ("/dev/", "/proc/")  # names of what a program holds open


def open_regular(path: Path) -> BufferedReader:
    """Open a regular file for reading, without waiting. Raises `OSError` for anything else."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags)
    try:
        kind = os.fstat(handle).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not stat.S_ISREG(kind):
            raise OSError(errno.EINVAL, "it is a device or pipe, not a file")
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_file(path: Path, most_bytes: int) -> bytes:
    """The content of a regular file. Raises `OSError`, also where it is larger."""
    with open_regular(path) as stream:
        data = stream.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise OSError(errno.EFBIG, f"it is over {most_bytes / 1e6:g} MB")
    return data


def read_json(path: Path, most_bytes: int) -> Any:
    """The value in a JSON file (UTF-8). Raises `OSError` as `read_file`, and `ValueError`."""
    return parse_json(read_file(path, most_bytes))


def parse_json(data: bytes | str) -> Any:
    """The value of a JSON text. Raises `ValueError`, also for one nested too deeply."""
    try:
        return json.loads(data)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


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
            with open_regular(path) as file:
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
    if _is_stream(path):
        if not os.access(path, os.W_OK):
            raise UnwritableOutputError(file=path, reason="no access")
        return
    handle, name = _beside(Path(os.path.realpath(path)))
    os.close(handle)
    Path(name).unlink(missing_ok=True)


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file beside its place and move it there when it is complete.

    A link is followed; a pipe or terminal is written to. Raises `UnwritableOutputError`; an error
    or interrupt leaves no partial file.
    """
    if _is_stream(path):
        try:
            with path.open("wb") as stream:
                stream.writelines(pieces)
        except OSError as error:
            raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error
        return
    target = Path(os.path.realpath(path))
    handle, name = _beside(target)
    partial = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(pieces)
        umask = os.umask(0)
        os.umask(umask)
        partial.chmod(0o666 & ~umask)
        partial.replace(target)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def _is_stream(path: Path) -> bool:
    """Whether the path names something to write to as it is: a pipe, a terminal, an open file.

    Raises `UnwritableOutputError` for a disk or a socket, which nothing may be written to.
    """
    try:
        kind = path.stat().st_mode
    except OSError:
        return False  # to be made
    if stat.S_ISBLK(kind) or stat.S_ISSOCK(kind):
        what = "a disk" if stat.S_ISBLK(kind) else "a socket"
        raise UnwritableOutputError(file=path, reason=f"it is {what}; name a file")
    regular = stat.S_ISREG(kind) or stat.S_ISDIR(kind)
    return not regular or os.path.abspath(path).startswith(_SYSTEM)  # noqa: PTH100


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
