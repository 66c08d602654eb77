"""A clock that tests set."""

from __future__ import annotations

from datetime import UTC, date, datetime, time


class Clock:
    """Gives noon (UTC) of the day it was set to; zones from UTC-12 to UTC+11 agree on the day."""

    def __init__(self, day: str | date) -> None:
        self.day = date.fromisoformat(day) if isinstance(day, str) else day

    def __call__(self) -> datetime:
        return datetime.combine(self.day, time(12), UTC)

    def set(self, day: str) -> None:
        self.day = date.fromisoformat(day)
