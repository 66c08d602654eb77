"""Whatever is recorded for later days, an earlier day's answer stays what it was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from sieve_registry.figures import DirectionFigures
from sieve_registry.records import Check, Retirement, Sieve, SieveEdit, SieveHistory, Use
from sieve_registry.sieves.state import state_as_of

FIRST = date(2024, 1, 1)
WHO = {"recorded_at": "2026-01-01T12:00:00Z", "person": "Ada Moss"}
ONE = Decimal(1)
FIGURES = DirectionFigures(9, ONE, ONE, ONE, ONE, ONE, ONE, None)
days = st.integers(0, 900).map(lambda n: FIRST + timedelta(days=n))


def sieve(in_service: date | None) -> Sieve:
    return Sieve("S-1", 75_000, "", "", "", None, in_service, FIRST, 12, 50, "", "", 1, **WHO)


def a_check(day: date, seq: int, outcome: str) -> Check:
    words = ("", "", "", outcome, "", "", (), "ok")
    return Check(f"C-{seq}", "S-1", day, 75_000, *words, FIGURES, FIGURES, seq, software="", **WHO)


@st.composite
def histories(draw: Callable[..., Any]) -> SieveHistory:
    seqs = iter(draw(st.permutations(range(2, 40))))
    outcomes = st.sampled_from(["pass", "fail"])
    few = {"max_size": 6}
    return SieveHistory(
        sieve(draw(st.sampled_from([None, FIRST]))),
        tuple(
            SieveEdit("S-1", day, months, None, None, next(seqs), **WHO)
            for day, months in draw(st.lists(st.tuples(days, st.integers(1, 24)), **few))
        ),
        tuple(
            a_check(day, next(seqs), outcome)
            for day, outcome in draw(st.lists(st.tuples(days, outcomes), **few))
        ),
        tuple(
            Use("S-1", day, count, "", next(seqs), **WHO)
            for day, count in draw(st.lists(st.tuples(days, st.integers(1, 40)), **few))
        ),
        draw(st.none() | days.map(lambda day: Retirement("S-1", day, "worn", 40, **WHO))),
    )


def until(history: SieveHistory, day: date) -> SieveHistory:
    """The history as it would be, had nothing been recorded for a day after `day`."""

    def kept(
        records,
    ) -> (
        tuple[Check]
        | tuple[SieveEdit, SieveEdit, SieveEdit, SieveEdit, SieveEdit]
        | tuple[Use, Use, Use, Use]
    ):
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
        assert state.overdue == (day > state.due)
        assert state.uses_since_check <= state.uses_total
