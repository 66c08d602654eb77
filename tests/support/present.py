"""A value that must be there."""

from __future__ import annotations

from typing import TypeVar

T = TypeVar("T")


def present(value: T | None) -> T:
    """The value itself; a test fails where it is missing."""
    assert value is not None
    return value
