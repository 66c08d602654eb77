"""The life of a sieve as a bar: in service, in quarantine, retired; its results as marks.

Marks differ by shape, not by colour alone: a filled circle is a pass, a half-filled circle a
conditional outcome, a cross a fail, an open circle a check that was not judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from sieve_inspect.outcomes import FAILING, Outcome
from sieve_registry.ledger.events import CertificateRecorded
from sieve_registry.ledger.records import SieveHistory, Status, facts_of_type
from sieve_registry.report.pages import page_environment
from sieve_registry.sieves.certificates import certificate_name
from sieve_registry.sieves.state import known_from, state_as_of

if TYPE_CHECKING:
    from markupsafe import Markup

WIDTH, LEFT, RIGHT = 720, 12, 708  # of the drawing, px
_LEAST_DAYS = 30  # a shorter life would have no room for its marks
_MOST_YEARS = 16  # more ticks than this stand too close


@dataclass(frozen=True)
class Span:
    """Days of one status, the last day included."""

    status: str
    begin: date
    end: date


def spans_of(history: SieveHistory, day: date) -> list[Span]:
    """The statuses of a sieve from its first day to `day`, in order."""
    begin = known_from(history)
    if begin > day:
        return []
    changes = {begin}
    changes |= {act.on_date for act in history.acts if begin < act.on_date <= day}
    if history.retirement is not None and begin < history.retirement.on_date <= day:
        changes.add(history.retirement.on_date)
    starts = sorted(changes)
    ends = [*(start - timedelta(days=1) for start in starts[1:]), day]
    spans: list[Span] = []
    for start, end in zip(starts, ends, strict=True):
        state = state_as_of(history, start)
        assert state is not None
        if spans and spans[-1].status == state.status:
            spans[-1] = Span(state.status, spans[-1].begin, end)
        else:
            spans.append(Span(state.status, start, end))
    return spans


@dataclass(frozen=True)
class Mark:
    """A check on the bar."""

    id: str
    on_date: date
    outcome: str


def marks_of(history: SieveHistory) -> list[Mark]:
    """The checks of a whole history as marks."""
    return [Mark(check.id, check.on_date, check.outcome) for check in history.checks]


def _certificate_marks(history: SieveHistory) -> list[Mark]:
    return [
        Mark(certificate_name(fact), fact.on_date, fact.payload.outcome)
        for fact in facts_of_type(history.acts, CertificateRecorded)
    ]


def timeline_svg(
    history: SieveHistory,
    marks: Sequence[Mark],
    day: date,
    span: tuple[date, date] | None = None,
) -> Markup:
    """The bar of a sieve up to `day`; `span` is the range of its axis, by default its own life."""
    from markupsafe import Markup

    spans = spans_of(history, day)
    first, last = span or _range([spans[0].begin] if spans else [day], day)
    days = (last - first).days

    def x(at: date) -> float:
        return round(LEFT + (RIGHT - LEFT) * (at - first).days / days, 1)

    checks = [mark for mark in marks if mark.on_date <= day]
    drawn = [*checks, *(mark for mark in _certificate_marks(history) if mark.on_date <= day)]
    text = (
        page_environment()
        .get_template("timeline.svg")
        .render(
            width=WIDTH,
            label=_label(history.sieve.id, spans, len(checks), day),
            bars=[
                {"kind": s.status.replace(" ", "-"), "x": x(s.begin), "end": x(s.end) + 1.0,
                 "text": f"{s.status} {s.begin} to {s.end}"}
                for s in spans
            ],
            marks=[
                {"kind": _kind(c.outcome), "x": x(c.on_date),
                 "text": f"{c.id}, {c.on_date}: {c.outcome}"}
                for c in drawn
            ],
            ticks=_ticks(first, last, x),
        )
    )  # fmt: skip
    return Markup(text)


def common_range(histories: Sequence[SieveHistory], day: date) -> tuple[date, date]:
    """The range of an axis for several sieves."""
    return _range([begin for h in histories if (begin := known_from(h)) <= day], day)


def _range(begins: Sequence[date], day: date) -> tuple[date, date]:
    first = min(begins, default=day)
    return min(first, day - timedelta(days=_LEAST_DAYS)), day


def _kind(outcome: str) -> str:
    if outcome == Outcome.PASS:
        return "pass"
    if outcome in FAILING:
        return "fail" if outcome == Outcome.FAIL else "conditional-fail"
    return "conditional" if outcome == Outcome.CONDITIONAL_PASS else "not-judged"


def _ticks(first: date, last: date, x: Any) -> list[tuple[float, str]]:
    """Years, or the months of a life of less than two years."""
    if (last - first).days < 2 * 365:
        months = [
            date(year, month, 1)
            for year in range(first.year, last.year + 1)
            for month in range(1, 13)
            if first <= date(year, month, 1) <= last
        ]
        step = max(1, len(months) // 8)
        return [(x(month), month.strftime("%Y-%m")) for month in months[::step]]
    years = [date(y, 1, 1) for y in range(first.year, last.year + 1) if first <= date(y, 1, 1)]
    step = max(1, len(years) // _MOST_YEARS)
    return [(x(year), str(year.year)) for year in years[::step]]


def _label(sieve_id: str, spans: Sequence[Span], count: int, day: date) -> str:
    now = spans[-1].status if spans else Status.IN_SERVICE
    since = spans[-1].begin if spans else day
    checks = "1 check" if count == 1 else f"{count} checks"
    return f"Sieve {sieve_id}: {now} since {since}, {checks} up to {day}"
