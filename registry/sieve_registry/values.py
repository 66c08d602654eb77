"""Values people type: names and notes that can be kept, counts, and days."""

from __future__ import annotations

import calendar
import re
import shlex
import sys
import unicodedata
from datetime import date
from decimal import Decimal, InvalidOperation

from sieve_inspect.errors import UsageError
from sieve_registry.errors import BadTextError, DateRefusedError

ID_LENGTH = 64
TEXT_LENGTH = 500
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_PLAIN_WORD = re.compile(r"[A-Za-z0-9_./:\\-]+", re.ASCII)  # the same in cmd.exe and PowerShell
# Within double quotes cmd.exe replaces %NAME%, PowerShell $ and `; all double quotes end them.
_UNQUOTABLE = frozenset('%$`"\u201c\u201d\u201e')
_JOINER = "\u200d"  # holds one emoji of several together
DEFAULT_STANDARD = "iso3310-1:2016"
DEFAULT_INTERVAL_MONTHS = 12  # yearly: Nevada DOT, TxDOT


def clean_id(text: str, what: str = "sieve id") -> str:
    """An id of a sieve or other thing: 1 to 64 printable characters without outer blanks, in NFC.

    Otherwise an id is data: `../x`, `=1+1` and emoji are as good as `S-017`.
    """
    cleaned = _printable(what, text)
    if not cleaned:
        raise BadTextError(what=what, text=text[:ID_LENGTH], reason="it is empty")
    if len(cleaned) > ID_LENGTH:
        raise BadTextError(
            what=what, text=f"{cleaned[:20]}…", reason=f"it is over {ID_LENGTH} characters"
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
        raise UsageError(message=f"The {what} must be {least} to {most}, not {value}.")
    return value


def add_months(day: date, months: int) -> date:
    """The same day `months` later; the last of the month where that day does not exist there.

    31 January + 1 month is 28 or 29 February, never a day of March. Days past the calendar's
    end (year 9999) stay at its end.
    """
    index = day.year * 12 + (day.month - 1) + months
    year, month = index // 12, index % 12 + 1
    if year > date.max.year:
        return date.max
    if day.day <= 28:
        return date(year, month, day.day)
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def read_date(text: str) -> date:
    """Read a day written YYYY-MM-DD; anything else raises `DateRefusedError`."""
    try:
        if not _ISO.fullmatch(text.strip()):
            raise ValueError
        return date.fromisoformat(text.strip())
    except ValueError:
        raise DateRefusedError(
            reason=f"{text!r} is not a date", advice="write dates as 2026-01-12"
        ) from None


def read_figure(what: str, text: str) -> Decimal:
    """A number as typed, exact; a comma is a decimal comma. Raises `UsageError`."""
    try:
        figure = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        raise UsageError(message=f"The {what} {text!r} is not a number.") from None
    if not figure.is_finite() or not 0 <= figure < 10**9:
        raise UsageError(message=f"A {what} of {text} is not plausible.")
    return figure


def refuse_future(day: date, today: date, what: str) -> None:
    """Raise `DateRefusedError` for a day that has not come yet."""
    if day > today:
        raise future(day, today, what)


def future(day: date, today: date, what: str) -> DateRefusedError:
    """The refusal of a day that has not come yet; `what` is recorded."""
    return DateRefusedError(
        reason=f"{day} lies in the future (today is {today})",
        advice=f"record {what} on the day it happens, or correct the date",
    )


def file_stem(recorded: str) -> str:
    """A sieve's name or a check's number in characters safe for a file; "" where none is."""
    return re.sub(r"[^\w-]+", "_", recorded).strip("_")[:64]


def shell_word(text: str, placeholder: str = "ID", platform: str = sys.platform) -> str:
    """A text as a word of a command to copy: quoted for a POSIX shell, on Windows for both shells.

    Where no writing means the same in cmd.exe and PowerShell, the placeholder stands for it.
    """
    if platform != "win32":
        return shlex.quote(text)
    if _PLAIN_WORD.fullmatch(text):
        return text
    if not text or text.endswith("\\") or not _UNQUOTABLE.isdisjoint(text):
        return placeholder
    return f'"{text}"'


def set_variable(name: str, value: str, platform: str = sys.platform) -> list[str]:
    """The command that sets a variable of the environment; on Windows one for each shell."""
    if platform != "win32":
        return [f"export {name}={shlex.quote(value)}"]
    if not _UNQUOTABLE.isdisjoint(value):
        return []
    return [f'set "{name}={value}"', f'$env:{name} = "{value}"']
