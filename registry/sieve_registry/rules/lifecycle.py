"""What may be recorded of a sieve for a day, and what contradicts its history."""

from __future__ import annotations

from datetime import date

from sieve_registry.errors import DateRefusedError, SieveRetiredError
from sieve_registry.records import SieveHistory

__all__ = ["refuse_future", "refuse_outside_service", "refuse_retirement"]


def refuse_future(day: date, today: date, what: str) -> None:
    """Raise `DateRefusedError` for a day that has not come yet."""
    if day > today:
        raise DateRefusedError(
            reason=f"{day} lies in the future (today is {today})",
            advice=f"record {what} on the day it happens, or correct the date",
        )


def refuse_outside_service(history: SieveHistory, day: date, what: str) -> None:
    """Raise when the sieve was not in service on `day`, so that nothing can be recorded for it."""
    sieve, end = history.sieve, history.retirement
    if sieve.in_service is not None and day < sieve.in_service:
        raise DateRefusedError(
            reason=f"{day} is before sieve {sieve.id!r} went into service on {sieve.in_service}",
            advice=f"correct the date of {what}",
        )
    if end is not None and day >= end.on_date:
        raise SieveRetiredError(sieve=sieve.id, date=end.on_date, reason=end.reason)


def refuse_retirement(history: SieveHistory, day: date) -> None:
    """Raise when the sieve is retired already, or was still checked or used after `day`."""
    if history.retirement is not None:
        end = history.retirement
        raise SieveRetiredError(sieve=history.sieve.id, date=end.on_date, reason=end.reason)
    refuse_outside_service(history, day, "the retirement")
    days = [check.on_date for check in history.checks] + [use.on_date for use in history.uses]
    later = [one for one in days if one > day]
    if later:
        raise DateRefusedError(
            reason=f"Sieve {history.sieve.id!r} was still checked or used on {max(later)}",
            advice=f"retire it on {max(later)} or later",
        )
