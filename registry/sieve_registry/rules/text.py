"""Which names and notes can be kept: anything a person can read, nothing a terminal would obey."""

from __future__ import annotations

import unicodedata

from sieve_inspect.errors import UsageError
from sieve_registry.errors import BadTextError

__all__ = ["clean_count", "clean_id", "clean_text"]

ID_LENGTH = 64
TEXT_LENGTH = 500
_JOINER = "\u200d"  # holds one emoji of several together


def clean_id(text: str) -> str:
    """A sieve's id: 1 to 64 printable characters, outer blanks taken off, in NFC.

    Otherwise an id is data: `../x`, `=1+1` and emoji are as good as `S-017`.
    """
    cleaned = _printable("sieve id", text)
    if not cleaned:
        raise BadTextError(what="sieve id", text=text[:ID_LENGTH], reason="it is empty")
    if len(cleaned) > ID_LENGTH:
        raise BadTextError(
            what="sieve id", text=f"{cleaned[:20]}…", reason=f"it is over {ID_LENGTH} characters"
        )
    return cleaned


def clean_text(what: str, text: str, *, needed: bool = False) -> str:
    """A note, place or name of one line: up to 500 printable characters; line ends become blanks.

    Raises `BadTextError`, also for an empty text where one is `needed`.
    """
    cleaned = _printable(what, " ".join(text.split()))
    if needed and not cleaned:
        raise BadTextError(what=what, text=text[:20], reason="it is empty")
    if len(cleaned) > TEXT_LENGTH:
        raise BadTextError(
            what=what, text=f"{cleaned[:20]}…", reason=f"it is over {TEXT_LENGTH} characters"
        )
    return cleaned


def _printable(what: str, text: str) -> str:
    cleaned = unicodedata.normalize("NFC", text.strip())
    for letter in cleaned:
        # Cc control, Cf invisible marks (also those that turn text around), Cs halves of letters.
        kind = unicodedata.category(letter)
        if kind in ("Cc", "Cf", "Cs", "Zl", "Zp") and letter != _JOINER:
            raise BadTextError(
                what=what,
                text=cleaned[:40],
                reason=f"it holds the unprintable character U+{ord(letter):04X}",
            )
    return cleaned


def clean_count(what: str, value: int | None, most: int, least: int = 1) -> int | None:
    """The number, when it can be meant; None stays None. Raises `UsageError`."""
    if value is not None and not least <= value <= most:
        raise UsageError(message=f"The {what} has to lie in {least} to {most}, not {value}.")
    return value
