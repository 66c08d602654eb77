"""Any past day gets that day's answer, and what was entered only later is marked as such."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from sieve_registry.audit import verification
from sieve_registry.audit.queries import Audit, audit
from sieve_registry.checks import commands as check_commands
from sieve_registry.errors import DateRefusedError, UnknownSieveError
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry


def table(found: Audit, name: str) -> list[dict[str, str]]:
    return {t.name: [dict(zip(t.columns, r, strict=True)) for r in t.rows] for t in found.tables}[
        name
    ]


@pytest.fixture
def year(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> Registry:
    """In service on 10 January, checked twice, edited, used, retired in October."""
    clock.set("2025-01-10")
    add(in_service=date(2025, 1, 10), location="shelf 1")
    clock.set("2025-01-12")
    check()
    clock.set("2025-06-01")
    sieve_commands.edit_sieve(registry, "S-1", interval_months=6, location="shelf 2")
    sieve_commands.log_use(registry, "S-1", 30)
    clock.set("2025-07-02")
    check(outcome="fail")
    clock.set("2025-10-01")
    sieve_commands.retire(registry, "S-1", "worn", by="Ada Moss")
    clock.set("2026-03-02")
    return registry


def test_a_sieve_is_not_there_before_its_first_day(year: Registry) -> None:
    assert sieve_queries.states(year, date(2025, 1, 9)) == []
    with pytest.raises(UnknownSieveError):
        sieve_queries.get_state(year, "S-1", date(2025, 1, 9))


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        ("2025-01-10", ("in service", None, "2025-01-10", 0, "shelf 1")),
        ("2025-01-12", ("in service", "pass", "2026-01-12", 0, "shelf 1")),
        ("2025-05-31", ("in service", "pass", "2026-01-12", 0, "shelf 1")),
        ("2025-06-01", ("in service", "pass", "2025-07-12", 30, "shelf 2")),
        ("2025-07-02", ("in service", "fail", "2026-01-02", 30, "shelf 2")),
        ("2025-09-30", ("in service", "fail", "2026-01-02", 30, "shelf 2")),
        ("2025-10-01", ("retired", "fail", None, 30, "shelf 2")),
    ],
)
def test_each_day_has_its_own_answer(
    year: Registry, day: str, expected: tuple[str, str | None, str | None, int, str]
) -> None:
    status, outcome, due, uses, location = expected
    state = sieve_queries.get_state(year, "S-1", date.fromisoformat(day))
    assert state.status == status
    assert (state.last_check.outcome if state.last_check else None) == outcome
    assert (state.due.isoformat() if state.due else None) == due
    assert (state.uses_total, state.location) == (uses, location)


def test_an_audit_of_an_honest_year_marks_nothing(year: Registry) -> None:
    found = audit(year, date(2025, 12, 31))
    assert [row["check"] for row in table(found, "checks")] == ["C-0001", "C-0002"]
    marked = [t.name for t in found.tables if "recorded later" in t.columns]
    assert {row["recorded later"] for name in marked for row in table(found, name)} == {""}
    assert table(found, "retirements")[0]["reason"] == "worn"


def test_an_audit_proves_the_ledger_and_gives_its_head_then_and_now(year: Registry) -> None:
    found = audit(year, date(2025, 6, 1))
    assert (found.verification.ok, found.proven) == (True, "all")
    assert (found.events_then, found.events) == (4, 6)
    assert found.head == verification.ledger_head(year)[1] != found.head_then
    assert len(table(found, "evidence")) == 6  # of seven: not what the check of July made


def test_what_was_known_then_is_exactly_what_was_recorded_by_then(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    clock.set("2025-01-10")
    add(in_service=date(2025, 1, 10))
    sieve_commands.log_use(registry, "S-1", 2)
    before = audit(registry, date(2025, 1, 10))
    clock.set("2025-03-05")
    check(on="2025-01-10", outcome="fail")
    add("S-2", in_service=date(2025, 1, 10))
    quality_corrections.correct(
        registry, "2", {"count": "20"}, "a slip", RecordTerms(by="Ada Moss")
    )
    sieve_commands.retire(registry, "S-1", "worn", on_date=date(2025, 1, 10))
    now = audit(registry, date(2025, 1, 10))
    then = audit(registry, date(2025, 1, 10), known_then=True)
    assert then.tables == before.tables
    assert then.head_then == before.head
    assert [row["status"] for row in table(now, "sieves")] == ["retired", "in service"]
    assert [row["uses"] for row in table(now, "uses")] == ["20"]
    assert [row["sieve"] for row in table(now, "checks")] == ["S-1"]


def test_each_list_an_auditor_asks_for(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    for name in ("late", "new", "held", "open", "bad", "gone"):
        add(name, in_service=date(2025, 1, 1))
    for name, outcome in (("late", "pass"), ("held", "pass"), ("bad", "pass")):
        check(name, on="2025-02-01", outcome=outcome)
    sieve_commands.log_use(registry, "bad", 7, on_date=date(2025, 3, 1))
    check("bad", on="2025-06-01", outcome="fail")
    check("open", on="2026-02-01", outcome="conditional pass")
    sieve_commands.quarantine(registry, "held", "dented", RecordTerms(by="Bo Reed"), damage=True)
    sieve_commands.retire(registry, "gone", "torn")
    check_commands.sign_check(registry, "C-0004", "", RecordTerms(by="Bo Reed"))
    found = audit(registry, date(2026, 3, 2))

    def lists(name: str) -> list[str]:
        return [row["sieve"] for row in table(found, name)]

    assert lists("never_checked") == ["new"]
    assert lists("overdue") == ["late", "new"]
    assert lists("conditional") == ["open"]
    assert lists("quarantines") == ["held"]
    assert lists("retirements") == ["gone"]
    (look,) = table(found, "lookbacks")
    assert (look["sieve"], look["uses before"], look["decided"]) == (
        "bad",
        "7",
        "open, 1 of 1 results",
    )
    by_no_record = ["late", "held", "bad", "bad", "open"]  # all by a scale made for a test
    assert lists("no_scale") == by_no_record
    whys = {row["why"] for row in table(found, "no_scale")}
    assert whys == {"scale not recorded: made for a test"}
    assert table(found, "findings") == []


def test_an_audit_marks_what_was_entered_after_its_day(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    clock.set("2025-01-10")
    add(in_service=date(2025, 1, 10))
    clock.set("2025-03-05")
    check(on="2025-02-01")
    sieve_commands.log_use(registry, "S-1", 3, on_date=date(2025, 2, 2))
    found = audit(registry, date(2025, 2, 28))
    (sieve,), (check_row,), (use,) = (table(found, n) for n in ("sieves", "checks", "uses"))
    assert sieve["recorded later"] == "last check 2025-03-05"
    assert check_row["recorded later"] == use["recorded later"] == "2025-03-05"
    assert table(audit(registry, date(2025, 3, 5)), "checks")[0]["recorded later"] == ""


def test_an_audit_leaves_out_what_came_later(year: Registry) -> None:
    found = audit(year, date(2025, 5, 31))
    assert [row["check"] for row in table(found, "checks")] == ["C-0001"]
    assert table(found, "uses") == table(found, "changes") == []


def test_the_evidence_of_later_checks_is_left_out(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock, scan: Path
) -> None:
    clock.set("2025-01-10")
    add(in_service=date(2025, 1, 10))
    check()
    clock.set("2025-06-01")
    scan.write_bytes(b"a scan of the same cloth, worn")
    check(outcome="fail")
    scan.write_bytes(b"a scan found in a drawer")
    check(on="2025-02-01")

    def kept(day: str, **how: bool) -> list[tuple[str, str]]:
        rows = table(audit(registry, date.fromisoformat(day), **how), "evidence")
        return [(r["check"], r["recorded later"]) for r in rows if r["is its"] == "scan"]

    assert kept("2025-01-09") == []
    assert kept("2025-01-31") == [("C-0001", "")]
    assert kept("2025-05-31") == [("C-0001", ""), ("C-0003", "2025-06-01")]
    assert kept("2025-05-31", known_then=True) == [("C-0001", "")]
    assert kept("2025-06-01") == [(f"C-000{n}", "") for n in (1, 2, 3)]
    # A corrected day moves the files with their check; those of a void one stay.
    quality_corrections.correct(
        registry, "C-0002", {"date": "2025-01-20"}, "a slip", RecordTerms(by="Ada Moss")
    )
    assert kept("2025-01-31") == [("C-0001", ""), ("C-0002", "2025-06-01")]


def test_older_papers_may_be_entered_for_a_sieve_without_an_in_service_date(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check(on="2025-04-01")
    assert sieve_queries.get_state(registry, "S-1", date(2025, 4, 1)).last_check.id == "C-0001"
    assert sieve_queries.states(registry, date(2025, 3, 31)) == []


def test_no_audit_of_a_day_to_come(registry: Registry) -> None:
    with pytest.raises(DateRefusedError):
        audit(registry, date(2026, 3, 3))
