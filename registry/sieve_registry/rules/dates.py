"""Calendar arithmetic of check intervals."""

from __future__ import annotations

import calendar
import re
from datetime import date

from sieve_registry.errors import DateRefusedError

__all__ = ["add_months", "read_date"]

_ISO = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def add_months(day: date, months: int) -> date:
    """The same day `months` later; the last of the month where that day does not exist there.

    31 January + 1 month is 28 or 29 February, never a day of March. Days past the calendar's
    end (year 9999) stay at its end.
    """
    index = day.year * 12 + (day.month - 1) + months
    year, month = index // 12, index % 12 + 1
    if year > date.max.year:
        return date.max
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def read_date(text: str) -> date:
    """Read a day written YYYY-MM-DD; anything else raises `DateRefusedError`."""
    try:
        if not _ISO.fullmatch(text.strip()):
            raise ValueError
        return date.fromisoformat(text.strip())
    except ValueError:
        raise DateRefusedError(
            reason=f"{text!r} is no day of the calendar", advice="write it as YYYY-MM-DD"
        ) from None
