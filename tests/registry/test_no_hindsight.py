"""Whatever is recorded for later days, an earlier day's answer stays what it was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, TypeVar

from hypothesis import given
from hypothesis import strategies as st

from present import present
from sieve_registry.ledger.figures import DirectionFigures
from sieve_registry.ledger.records import Check, Retirement, Sieve, SieveEdit, SieveHistory, Use
from sieve_registry.sieves.state import state_as_of

FIRST = date(2024, 1, 1)
WHEN, WHO = "2026-01-01T12:00:00Z", "Ada Moss"
FIGURES = DirectionFigures(
    count=9,
    mean_um=Decimal(1),
    sd_um=Decimal(1),
    max_um=Decimal(1),
    u_mean_um=Decimal(1),
    u_sd_um=Decimal(1),
    u_max_um=Decimal(1),
    wire_mean_um=None,
)
days = st.integers(0, 900).map(lambda n: FIRST + timedelta(days=n))


def sieve(in_service: date | None) -> Sieve:
    return Sieve(
        id="S-1",
        nominal_nm=75_000,
        standard="",
        grade="",
        serial="",
        frame_nm=None,
        in_service=in_service,
        added_on=FIRST,
        interval_months=12,
        interval_uses=50,
        location="",
        maker="",
        seq=1,
        recorded_at=WHEN,
        person=WHO,
    )


def a_check(day: date, seq: int, outcome: str) -> Check:
    return Check(
        id=f"C-{seq}",
        sieve_id="S-1",
        on_date=day,
        nominal_nm=75_000,
        standard="",
        grade="",
        rule="",
        outcome=outcome,
        action="",
        action_reason="",
        reasons=(),
        fit="ok",
        x=FIGURES,
        y=FIGURES,
        seq=seq,
        recorded_at=WHEN,
        person=WHO,
        software="",
    )


def an_edit(day: date, seq: int, months: int) -> SieveEdit:
    return SieveEdit(
        sieve_id="S-1",
        on_date=day,
        interval_months=months,
        interval_uses=None,
        location=None,
        seq=seq,
        recorded_at=WHEN,
        person=WHO,
    )


def a_use(day: date, seq: int, count: int) -> Use:
    return Use(
        sieve_id="S-1", on_date=day, count=count, note="", seq=seq, recorded_at=WHEN, person=WHO
    )


def a_retirement(day: date) -> Retirement:
    return Retirement(
        sieve_id="S-1", on_date=day, reason="worn", seq=40, recorded_at=WHEN, person=WHO
    )


@st.composite
def histories(draw: Callable[..., Any]) -> SieveHistory:
    seqs = iter(draw(st.permutations(range(2, 40))))
    outcomes = st.sampled_from(["pass", "fail"])

    def some(values: st.SearchStrategy[Any]) -> list[tuple[date, Any]]:
        drawn: list[tuple[date, Any]] = draw(st.lists(st.tuples(days, values), max_size=6))
        return drawn

    return SieveHistory(
        sieve(draw(st.sampled_from([None, FIRST]))),
        tuple(an_edit(day, next(seqs), months) for day, months in some(st.integers(1, 24))),
        tuple(a_check(day, next(seqs), outcome) for day, outcome in some(outcomes)),
        tuple(a_use(day, next(seqs), count) for day, count in some(st.integers(1, 40))),
        draw(st.none() | days.map(a_retirement)),
    )


Dated = TypeVar("Dated", SieveEdit, Check, Use)


def until(history: SieveHistory, day: date) -> SieveHistory:
    """The history as it would be, had nothing been recorded for a day after `day`."""

    def kept(records: tuple[Dated, ...]) -> tuple[Dated, ...]:
        return tuple(record for record in records if record.on_date <= day)

    end = history.retirement
    return replace(
        history,
        edits=kept(history.edits),
        checks=kept(history.checks),
        uses=kept(history.uses),
        retirement=end if end and end.on_date <= day else None,
    )


@given(histories(), days)
def test_later_records_never_change_an_earlier_answer(history: SieveHistory, day: date) -> None:
    assert state_as_of(history, day) == state_as_of(until(history, day), day)


@given(histories(), days)
def test_a_due_day_is_one_a_calendar_can_show_and_overdue_means_past_it(
    history: SieveHistory, day: date
) -> None:
    state = state_as_of(history, day)
    if state.status == "retired":
        assert (state.due, state.overdue) == (None, False)
    else:
        assert state.overdue == (day > present(state.due))
        assert state.uses_since_check <= state.uses_total
