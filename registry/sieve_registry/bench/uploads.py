"""Files from a browser or from the watched folder, copied to a folder of this program.

The file name a browser sends is untrusted: characters that could form a path or a command are
replaced, and the file is stored in a new folder.
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

MOST_SCANS = 12  # of one check
MOST_OF_BATCH = 40
MOST_BYTES = 800_000_000  # all files of one request together
KINDS = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")
_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"BM", *(b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"))
_LONGEST = 80
_SETTLED_S = 2.0  # a file that grew just now is still being written
_SHOWN = 40
_OF_WINDOWS = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True)
class WatchedScan:
    """A scan in the watched folder; `key` identifies the file and its present content.

    `settled` is False while the file is still being written.
    """

    key: str
    name: str
    size: int
    written: datetime
    settled: bool
    path: Path


def plain_file_name(name: str) -> str:
    """A safe form of a file name: no folders, no characters with a meaning to a shell."""
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
    """Copy a scan into a new folder under a safe form of its name; the path of the copy.

    Raises `NotAnImageError` and `EmptyFileError` for a file that cannot be a scan.
    """
    plain = plain_file_name(name)
    start = content.read(16)
    if not start:
        raise EmptyFileError(file=plain)
    if not plain.lower().endswith(KINDS) or not start.startswith(_STARTS):
        raise NotAnImageError(file=plain, hint=f" ({', '.join(kind[1:] for kind in KINDS)})")
    folder.mkdir(parents=True)
    kept = folder / plain
    with kept.open("xb") as target:
        target.write(start)
        shutil.copyfileobj(content, target, 1 << 20)
    return kept


def watched_scans(folder: Path | None) -> list[WatchedScan]:
    """The newest scans in the watched folder, newest first; links are not followed.

    Raises `UnreadableImageError` for a folder that cannot be read.
    """
    if folder is None:
        return []
    now, scans = time.time(), []
    try:
        paths = [path for path in folder.iterdir() if path.suffix.lower() in KINDS]
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UnreadableImageError(file=folder, reason=reason) from error
    for path in paths:
        try:
            status = path.lstat()
        except OSError:
            continue  # removed meanwhile
        if not stat.S_ISREG(status.st_mode):
            continue
        identity = f"{path.name}\0{status.st_size}\0{status.st_mtime_ns}"
        key = hashlib.sha256(identity.encode("utf-8", "surrogateescape")).hexdigest()[:24]
        settled = now - status.st_mtime >= _SETTLED_S and status.st_size > 0
        written = datetime.fromtimestamp(status.st_mtime).astimezone()
        scans.append(WatchedScan(key, path.name, status.st_size, written, settled, path))
    return sorted(scans, key=lambda scan: (scan.written, scan.name), reverse=True)[:_SHOWN]
