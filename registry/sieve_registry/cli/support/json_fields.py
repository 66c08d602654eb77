"""Fields of a record by name, as values JSON has."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

# Of an export or backup.
MANIFEST = ("events", "head", "evidence", "made_at", "software")


def fields(record: object, *names: str) -> dict[str, Any]:
    """The named fields: exact figures as numbers, days as 2026-01-12, tuples as lists."""
    return {name: _plain(getattr(record, name)) for name in names}


def _plain(value: object) -> object:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, date):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value
