"""A clock far ahead of the last event is asked about, since true times would be refused later."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from clock import Clock
from sieve_registry.errors import DateRefusedError
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry

DATABASES = ("sqlite",)


def test_a_year_ahead_needs_a_reason(
    registry: Registry,
    add: Callable[..., Any],
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writer, "CLOCK_AHEAD", timedelta(days=300))
    add()
    clock.set("2026-12-20")  # 293 days after
    sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss")
    clock.set("2027-12-20")
    with pytest.raises(DateRefusedError, match=r"365 days after the last event.*--why-late"):
        sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss")
    sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss", late_reason="closed for a year")
    sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss")  # asked once


def test_the_limit_is_below_a_year() -> None:
    """The tests work with registries of fixed days, so they lift it (conftest)."""
    from pathlib import Path

    text = Path(writer.__file__).read_text()
    assert "CLOCK_AHEAD = timedelta(days=300)" in text
