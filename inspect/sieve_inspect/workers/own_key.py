"""A key of this user, made once: what was stored by others is told from what was stored here."""

from __future__ import annotations

import hmac
import os
import secrets
from functools import cache
from pathlib import Path

_BYTES = 32


def sealed_by(data: bytes) -> str:
    """The keyed hash (HMAC-SHA256, hex) of `data` that only this user can make."""
    return hmac.new(_own_key(_key_file()), data, "sha256").hexdigest()


def is_own(data: bytes, seal: str) -> bool:
    """Whether this user made that seal of `data`."""
    return hmac.compare_digest(sealed_by(data).encode(), seal.encode("utf-8", "replace"))


def _key_file() -> Path:
    from platformdirs import user_state_path

    return user_state_path("sieveward", appauthor=False) / "results.key"


@cache
def _own_key(path: Path) -> bytes:
    """The key in a file only its owner can read; where none can be kept, one for this run."""
    made = secrets.token_bytes(_BYTES)
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        draft = path.with_name(f".{path.name}-{secrets.token_hex(8)}")
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(made)
        try:
            os.link(draft, path)
        except FileExistsError:
            pass  # made before, or by another program meanwhile
        finally:
            draft.unlink(missing_ok=True)
        kept = path.read_bytes()
    except OSError:
        return made
    return kept if len(kept) == _BYTES else made
