"""Writing files whole or not at all: a half-written result must never be taken for one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from sieve_inspect.errors import UnwritableOutputError

__all__ = ["write_pieces"]


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file beside its place and put it there when it is whole.

    Raises `UnwritableOutputError`; whatever ends the writing, an interrupt too, leaves no trace.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}-")
    except OSError as error:
        raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error
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
