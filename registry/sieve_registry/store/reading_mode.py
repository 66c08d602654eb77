"""How an SQLite file is opened where nothing can be written: a full disk, read-only media.

SQLite's write-ahead log needs a small file of shared memory beside the registry
(sqlite.org/wal.html, "Read-Only Databases"). Where that cannot be made, or could end this program
because a page of it finds no room, the file is read as one that nobody changes; with a log that
waits, from a copy in the temporary folder. Nothing beside the file is made or changed then.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from dataclasses import dataclass
from pathlib import Path

from sieve_registry.errors import RegistryFileError

SPACE_NEEDED = 4_000_000  # bytes free; a recording with its log takes some hundred kB
# Where the disk is full; what is made there has a name that nobody knows beforehand.
_MEMORY = "/dev/shm"  # noqa: S108  # nosec B108
_COMPANIONS = ("-wal", "-shm")


@dataclass(frozen=True)
class Opening:
    """The file to open and how; `copy` is the folder of a copy, removed by `close`."""

    file: Path
    still: bool = False  # read as a file that nobody changes
    copy: Path | None = None

    def close(self) -> None:
        """Remove the copy, if one was made."""
        if self.copy is not None:
            shutil.rmtree(self.copy, ignore_errors=True)


def log_waits(file: Path) -> bool:
    """Whether newer pages may lie in the write-ahead log."""
    log = file.with_name(f"{file.name}-wal")
    return log.exists() and log.stat().st_size > 0


def space_left(folder: Path) -> int:
    """Bytes free for this user on the disk of a folder; much where that is unknown."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return SPACE_NEEDED


def is_still(file: Path) -> bool:
    """Whether the file has to be read without writing anything beside it."""
    writable = os.access(file.parent, os.W_OK) and os.access(file, os.W_OK)
    return not writable or _is_protected(file) or space_left(file.parent) < SPACE_NEEDED


def opening_of(file: Path) -> Opening:
    """How to open a registry file. Raises `RegistryFileError` where no copy can be made."""
    if not is_still(file):
        _free_companions(file)
        return Opening(file)
    return still_opening(file)


def still_opening(file: Path) -> Opening:
    """A registry file as one that nobody changes, or a copy where its log waits."""
    if not log_waits(file):
        return Opening(file, still=True)
    reason = "its write-ahead log waits and there is no room for a copy"
    for folder in (tempfile.gettempdir(), _MEMORY):
        if not Path(folder).is_dir():
            continue
        copy = Path(tempfile.mkdtemp(prefix="sieveward-copy-", dir=folder))
        try:
            for name in (file.name, f"{file.name}-wal"):
                shutil.copyfile(file.with_name(name), copy / name)
            return Opening(copy / file.name, copy=copy)
        except OSError as error:
            reason = f"its write-ahead log waits and it cannot be copied: {error.strerror}"
            shutil.rmtree(copy, ignore_errors=True)
    raise RegistryFileError(file=file, reason=reason)


def require_space(file: Path) -> None:
    """Raise `RegistryFileError` where a recording could find no room half-way."""
    free = space_left(file.parent)
    if free < SPACE_NEEDED:
        reason = (
            f"only {free / 1e6:.1f} MB are free on its disk, recording needs "
            f"{SPACE_NEEDED / 1e6:g} MB"
        )
        raise RegistryFileError(file=file, reason=reason)


def _is_protected(file: Path) -> bool:
    """Whether the file is marked read-only, which binds even an administrator here."""
    return not file.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)


def _free_companions(file: Path) -> None:
    """Make files beside the registry writable that a read-only opening left read-only."""
    mode = stat.S_IMODE(file.stat().st_mode)
    for ending in _COMPANIONS:
        beside = file.with_name(f"{file.name}{ending}")
        try:
            if beside.exists() and _is_protected(beside):
                beside.chmod(mode)
        except OSError:
            continue  # of another user
