"""When a check is due. The calendar is held against dateutil, an independent implementation."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from sieve_inspect.errors import UsageError
from sieve_registry.errors import DateRefusedError
from sieve_registry.ledger.records import SieveState
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry
from sieve_registry.values import add_months, read_date


def ids(states: list[SieveState]) -> list[str]:
    return [state.sieve.id for state in states]


@given(st.dates(date(1990, 1, 1), date(2200, 1, 1)), st.integers(1, 240))
def test_months_are_added_as_dateutil_adds_them(day: date, months: int) -> None:
    assert add_months(day, months) == day + relativedelta(months=months)


def test_the_last_of_a_month_stays_within_the_month_it_leads_to() -> None:
    assert add_months(date(2024, 1, 31), 1) == date(2024, 2, 29)
    assert add_months(date(2025, 8, 31), 6) == date(2026, 2, 28)
    assert add_months(date(2024, 2, 29), 12) == date(2025, 2, 28)


def test_months_past_the_end_of_the_calendar_stop_at_its_end() -> None:
    assert add_months(date(9999, 1, 1), 12) == date.max


@pytest.mark.parametrize(
    "text", ["2026-02-30", "20260203", "2026-W05-1", "3.2.2026", "", "٢٠٢٦-٠١-٠١"]
)
def test_only_iso_days_are_read_as_days(text: str) -> None:
    with pytest.raises(DateRefusedError):
        read_date(text)


def test_a_sieve_never_checked_is_due_on_its_first_day_of_service(
    registry: Registry, add: Callable[..., Any]
) -> None:
    add("bought", in_service=date(2026, 1, 15))
    add("plain")
    first, second = sieve_queries.due(registry)
    assert (first.sieve.id, first.due, first.overdue) == ("bought", date(2026, 1, 15), True)
    assert (second.sieve.id, second.due, second.overdue) == ("plain", date(2026, 3, 2), False)


def test_a_checked_sieve_is_due_its_interval_after_the_last_check(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2025, 1, 1), interval_months=6)
    check(on="2025-08-31")
    check(on="2025-02-01")  # entered later, but older: it must not count as the last
    (state,) = sieve_queries.due(registry)
    assert state.due == date(2026, 2, 28)
    assert state.last_check.id == "C-0001"


def test_the_due_day_itself_is_not_overdue_yet(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2025, 1, 1))
    check(on="2025-06-10")
    assert not sieve_queries.due(registry, date(2026, 6, 10))[0].overdue
    assert sieve_queries.due(registry, date(2026, 6, 11))[0].overdue


def test_overdue_comes_first_then_the_soonest(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    for name, day in (("late", "2025-02-01"), ("soon", "2025-04-01"), ("far", "2026-01-01")):
        add(name, in_service=date(2025, 1, 1))
        check(name, on=day)
    assert ids(sieve_queries.due(registry)) == ["late", "soon", "far"]
    assert ids(sieve_queries.due(registry, within_days=40)) == ["late", "soon"]
    assert ids(sieve_queries.due(registry, within_days=0)) == ["late"]
    with pytest.raises(UsageError):
        sieve_queries.due(registry, within_days=-1)


def test_uses_bring_the_due_day_forward_to_the_day_the_limit_was_reached(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2025, 1, 1), interval_uses=100)
    sieve_commands.log_use(registry, "S-1", 90, on_date=date(2025, 11, 1))
    check(on="2025-12-01")
    sieve_commands.log_use(registry, "S-1", 60, on_date=date(2026, 1, 10))
    (state,) = sieve_queries.due(registry)
    assert (state.due, state.uses_since_check, state.uses_total) == (date(2026, 12, 1), 60, 150)
    sieve_commands.log_use(registry, "S-1", 40, on_date=date(2026, 2, 1))
    (state,) = sieve_queries.due(registry)
    assert (state.due, state.overdue) == (date(2026, 2, 1), True)
    assert state.due_because == "100 uses reached"


def test_uses_on_the_day_of_a_check_count_by_the_order_of_recording(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(interval_uses=100)
    sieve_commands.log_use(registry, "S-1", 5)
    check()
    sieve_commands.log_use(registry, "S-1", 7)
    assert sieve_queries.get_state(registry, "S-1").uses_since_check == 7


def test_a_failed_sieve_still_in_service_is_remarked_upon(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check(outcome="fail")
    (state,) = sieve_queries.due(registry)
    assert [remark.message for remark in state.remarks] == [
        "in service although its last check C-0001 is a fail"
    ]


def test_a_retired_sieve_is_due_no_more(registry: Registry, add: Callable[..., Any]) -> None:
    add()
    sieve_commands.retire(registry, "S-1", "torn")
    assert sieve_queries.due(registry) == []
