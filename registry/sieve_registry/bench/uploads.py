"""Files that come from a browser or from the watched folder, copied to a place of our own.

What a browser calls a file is only ever a name to show: letters that could lead elsewhere are
taken out, and the file lies in a folder this program made.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import stat
import time
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from sieve_inspect.errors import EmptyFileError, NotAnImageError, UnreadableImageError

__all__ = ["KINDS", "MOST_BYTES", "MOST_SCANS", "Found", "keep_scan", "plain_file_name", "watched"]

MOST_SCANS = 12
MOST_BYTES = 800_000_000  # all scans of one check together
KINDS = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")
_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"BM", *(b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"))
_LONGEST = 80
_SETTLED_S = 2.0  # a file that grew just now is still being written
_SHOWN = 40
_OF_WINDOWS = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True)
class Found:
    """A scan in the watched folder; `key` stands for this very content at this very place."""

    key: str
    name: str
    size: int
    written: datetime
    settled: bool
    path: Path


def plain_file_name(name: str) -> str:
    """What a file is called, fit to be the name of one: no folders, nothing a shell obeys."""
    last = re.split(r"[/\\]", name)[-1]
    kept = "".join(
        letter if letter.isalnum() or letter in " ._-()+" else "_"
        for letter in unicodedata.normalize("NFC", last)
    ).strip(" .")
    stem, dot, kind = kept.rpartition(".")
    stem, kind = (stem[: _LONGEST - 6], kind[:5]) if dot else (kept[:_LONGEST], "")
    plain = f"{stem.strip()}{dot}{kind}"
    return f"scan-{plain}" if _OF_WINDOWS.match(plain) or not stem else plain


def keep_scan(name: str, content: BinaryIO, folder: Path) -> Path:
    """Copy a scan into a new folder; where it lies, under a plain form of its name.

    Raises `NotAnImageError` and `EmptyFileError` for what cannot be a scan; nothing is kept then.
    """
    plain = plain_file_name(name)
    start = content.read(16)
    if not start:
        raise EmptyFileError(file=plain)
    if not plain.lower().endswith(KINDS) or not start.startswith(_STARTS):
        raise NotAnImageError(file=plain, hint=f" ({', '.join(one[1:] for one in KINDS)})")
    folder.mkdir(parents=True)
    kept = folder / plain
    with kept.open("xb") as target:
        target.write(start)
        shutil.copyfileobj(content, target, 1 << 20)
    return kept


def watched(folder: Path | None) -> list[Found]:
    """The newest scans in the watched folder, newest first; links are not followed."""
    if folder is None:
        return []
    now, found = time.time(), []
    try:
        there = [one for one in folder.iterdir() if one.suffix.lower() in KINDS]
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UnreadableImageError(file=folder, reason=reason) from error
    for path in there:
        try:
            status = path.lstat()
        except OSError:
            continue  # gone again meanwhile
        if not stat.S_ISREG(status.st_mode):
            continue
        told = f"{path.name}\0{status.st_size}\0{status.st_mtime_ns}"
        key = hashlib.sha256(told.encode("utf-8", "surrogateescape")).hexdigest()[:24]
        settled = now - status.st_mtime >= _SETTLED_S and status.st_size > 0
        written = datetime.fromtimestamp(status.st_mtime).astimezone()
        found.append(Found(key, path.name, status.st_size, written, settled, path))
    return sorted(found, key=lambda one: (one.written, one.name), reverse=True)[:_SHOWN]
