"""The life of a sieve as a bar: its statuses by day, its checks as marks."""

from __future__ import annotations

import re
from datetime import date
from xml.etree import ElementTree

import pytest

from sieve_inspect.outcomes import FOR_INFORMATION
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import SieveCleaned, SieveQuarantined, SieveReturned
from sieve_registry.ledger.records import Fact, Retirement, Sieve, SieveHistory
from sieve_registry.report.charts import standalone
from sieve_registry.report.timeline import LEFT, RIGHT, Mark, Span, spans_of, timeline_svg

SIEVE = Sieve(
    id="S-<1>", nominal_nm=75_000, standard="iso3310-1:2016", grade="compliance", serial="",
    frame_nm=None, in_service=date(2024, 1, 1), added_on=date(2024, 1, 1), interval_months=12,
    interval_uses=None, location="", maker="", seq=1, recorded_at="2024-01-01T08:00:00Z",
    person="R. Example",
)  # fmt: skip


def fact(seq: int, day: str, payload: EventPayload) -> Fact[EventPayload]:
    made = "2024-01-01T08:00:00Z"
    return Fact(seq, SIEVE.id, date.fromisoformat(day), made, "R. Example", payload)


HISTORY = SieveHistory(
    SIEVE,
    acts=(
        fact(2, "2024-03-01", SieveCleaned(method="brush")),  # changes no status
        fact(3, "2024-07-01", SieveQuarantined(reason="fell")),
        fact(4, "2024-10-01", SieveReturned(reason="checked")),
    ),
    retirement=Retirement(
        SIEVE.id, date(2025, 7, 1), "torn", 5, "2025-07-01T08:00:00Z", "R. Example"
    ),
)


def test_the_statuses_follow_one_another_without_a_gap() -> None:
    assert spans_of(HISTORY, date(2025, 12, 31)) == [
        Span("in service", date(2024, 1, 1), date(2024, 6, 30)),
        Span("quarantined", date(2024, 7, 1), date(2024, 9, 30)),
        Span("in service", date(2024, 10, 1), date(2025, 6, 30)),
        Span("retired", date(2025, 7, 1), date(2025, 12, 31)),
    ]


@pytest.mark.parametrize(
    ("day", "last"),
    [
        ("2024-06-30", Span("in service", date(2024, 1, 1), date(2024, 6, 30))),
        ("2024-08-15", Span("quarantined", date(2024, 7, 1), date(2024, 8, 15))),
    ],
)
def test_nothing_after_the_day_is_drawn(day: str, last: Span) -> None:
    assert spans_of(HISTORY, date.fromisoformat(day))[-1] == last


def test_before_its_first_day_a_sieve_has_no_bar() -> None:
    assert spans_of(HISTORY, date(2023, 12, 31)) == []


def test_marks_stand_where_their_day_lies_and_differ_in_shape() -> None:
    days = {"pass": "2024-01-01", "fail": "2024-12-31", FOR_INFORMATION: "2024-07-01"}
    marks = [Mark(f"C-{n}", date.fromisoformat(d), o) for n, (o, d) in enumerate(days.items())]
    later = Mark("C-9", date(2025, 1, 1), "pass")
    svg = standalone(timeline_svg(HISTORY, [*marks, later], date(2024, 12, 31)))
    root = ElementTree.fromstring(svg)  # the id's < is escaped
    assert "3 checks up to 2024-12-31" in root.attrib["aria-label"]
    titles = [element.text for element in root.iter() if element.tag.endswith("title")]
    assert "C-1, 2024-12-31: fail" in titles
    assert not any("C-9" in str(title) for title in titles)
    places = [float(x) for x in re.findall(r'<circle cx="([\d.]+)"', svg)]
    middle = LEFT + (RIGHT - LEFT) * 182 / 365  # 1 July is day 182 of the 365 from 1 January
    assert sorted(places) == pytest.approx([LEFT, middle, RIGHT], abs=0.06)
