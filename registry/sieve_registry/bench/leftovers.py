"""The folder for scans, and what a bench that was stopped hard left of its own.

Each bench holds a lock on a file in its folder, which the system lifts however it ends. A folder of
this user whose lock nobody holds was left behind.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

_PREFIX = "sieveward-bench-"
_LOCK = ".in-use"
_UNLOCKED_S = 24 * 3600.0  # a folder without a lock is left alone for so long


@contextmanager
def scan_folder() -> Iterator[Path]:
    """A new folder for scans, removed at the end."""
    with tempfile.TemporaryDirectory(prefix=_PREFIX) as name:
        folder = Path(name)
        with (folder / _LOCK).open("wb") as stream:
            _lock(stream)
            yield folder


def sweep() -> tuple[int, int]:
    """Remove the folders that other benches of this user left: how many, and their bytes."""
    count = size = 0
    for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        try:
            if not _is_left(folder):
                continue
            size += sum(p.lstat().st_size for p in folder.rglob("*") if not p.is_dir())
            shutil.rmtree(folder)
            count += 1
        except OSError:
            continue  # another program uses or removes it
    return count, size


def _is_left(folder: Path) -> bool:
    status = folder.lstat()
    if folder.is_symlink() or not folder.is_dir():
        return False
    if hasattr(os, "getuid") and status.st_uid != os.getuid():
        return False
    try:
        with (folder / _LOCK).open("r+b") as stream:
            return _lock(stream)
    except FileNotFoundError:  # just begun, or of an earlier version
        return time.time() - status.st_mtime > _UNLOCKED_S


def _lock(stream: BinaryIO) -> bool:
    """Lock an open file until it is closed; false where another program holds the lock."""
    try:
        import fcntl
    except ModuleNotFoundError:  # Windows: a file that is open cannot be removed there
        return True
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
