"""A correction never changes a record: it says how it should read, and both are shown."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from program import Program
from sieve_inspect.errors import UnknownStandardError, UsageError
from sieve_registry.audit import verification
from sieve_registry.audit.queries import audit
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks.repeats import used_before
from sieve_registry.errors import (
    BadTextError,
    RuleRefusedError,
    UnknownCheckError,
    UnknownRecordError,
)
from sieve_registry.ledger.records import Correction
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def worn(registry: Registry, add: Callable[..., Any], check: Callable[..., Any]) -> Registry:
    """Events: 1 added, 2 check of February, 3 use of 12, 4 retired."""
    add(in_service=date(2026, 1, 1), serial="A 17")
    check(on="2026-02-01")
    sieve_commands.log_use(registry, "S-1", 12, note="lime", on_date=date(2026, 2, 5))
    sieve_commands.retire(registry, "S-1", "worn", on_date=date(2026, 3, 1))
    return registry


def fix(registry: Registry, record: str, reason: str = "a slip", **changes: str) -> Correction:
    return quality_corrections.correct(registry, record, changes, reason, ADA)


def void(registry: Registry, record: str, reason: str = "a slip") -> Correction:
    return quality_corrections.correct(registry, record, {}, reason, ADA, void=True)


def test_a_count_reads_as_corrected_and_the_record_stays(worn: Registry) -> None:
    made = fix(worn, "3", count="21", note="limestone")
    assert (made.corrects, made.was, made.now) == (
        3,
        {"count": 12, "note": "lime"},
        {"count": 21, "note": "limestone"},
    )
    assert sieve_queries.get_state(worn, "S-1").uses_total == 21
    with worn.reading() as connection:
        assert json.loads(reader.event_of(connection, 3).payload)["count"] == 12
    assert verification.verify(worn).ok


def test_a_second_correction_starts_from_the_first(worn: Registry) -> None:
    fix(worn, "3", count="21")
    made = fix(worn, "#3", count="2")
    assert (made.was, made.now) == ({"count": 21}, {"count": 2})
    history = sieve_queries.get_history(worn, "S-1")
    assert [use.count for use in history.uses] == [2]
    assert [c.corrects for c in history.corrections] == [3, 3]


def test_a_void_retirement_puts_the_sieve_back_and_may_be_taken_back_itself(worn: Registry) -> None:
    void(worn, "4", "the neighbour was meant")
    assert sieve_queries.get_state(worn, "S-1").status == "in service"
    fix(worn, "4", "no, this one")
    assert sieve_queries.get_state(worn, "S-1").status == "retired"


def test_a_void_check_counts_no_more(worn: Registry) -> None:
    void(worn, "C-0001", "another sieve was scanned")
    state = sieve_queries.get_state(worn, "S-1", date(2026, 2, 10))
    assert (state.last_check, state.due_because) == (None, "never checked")


def test_days_and_identity_can_be_corrected(worn: Registry) -> None:
    fix(worn, "2", date="2026-01-20")
    fix(worn, "1", serial="A 71", **{"in-service": "2025-12-01", "frame": "200mm"})
    history = sieve_queries.get_history(worn, "S-1")
    assert history.checks[0].on_date == date(2026, 1, 20)
    sieve = history.sieve
    assert (sieve.serial, sieve.in_service, sieve.frame_nm) == (
        "A 71",
        date(2025, 12, 1),
        200_000_000,
    )


@pytest.mark.parametrize(
    ("record", "changes", "what"),
    [
        ("9", {"count": "1"}, "no event"),
        ("2", {"outcome": "pass"}, "date can be corrected"),
        ("2", {"x": "1"}, "date can be corrected"),
        ("1", {"interval": "9"}, "nominal, standard, grade, serial, maker, location, frame, in-"),
    ],
)
def test_what_was_measured_or_never_recorded_cannot_be_corrected(
    worn: Registry, record: str, changes: dict[str, str], what: str
) -> None:
    with pytest.raises(UnknownRecordError, match=what):
        fix(worn, record, **changes)


def test_a_sieve_stays_added_and_a_correction_is_not_corrected(worn: Registry) -> None:
    with pytest.raises(UnknownRecordError, match="retire it"):
        void(worn, "1")
    made = fix(worn, "3", count="1")
    with pytest.raises(UnknownRecordError, match="record corrected"):
        void(worn, str(made.seq))
    with pytest.raises(UnknownCheckError):
        void(worn, "C-0009")


@pytest.mark.parametrize("count", ["0", "-1", "x", "²", "1000001"])
def test_a_corrected_count_must_be_a_count(worn: Registry, count: str) -> None:
    with pytest.raises(UsageError):
        fix(worn, "3", count=count)


def test_a_correction_needs_a_reason_and_something_to_correct(worn: Registry) -> None:
    with pytest.raises(BadTextError):
        fix(worn, "3", " ", count="1")
    with pytest.raises(UsageError):
        fix(worn, "3")


def test_a_correction_may_not_make_the_history_contradict_itself(worn: Registry) -> None:
    before = verification.ledger_head(worn)
    with pytest.raises(RuleRefusedError, match="after its end"):
        fix(worn, "3", date="2026-03-02")
    with pytest.raises(RuleRefusedError, match="before 2026-02-10"):
        fix(worn, "1", **{"in-service": "2026-02-10"})
    assert verification.ledger_head(worn) == before


def test_the_audit_shows_both_readings(worn: Registry) -> None:
    fix(worn, "3", count="21")
    found = audit(worn, date(2026, 3, 2))
    (table,) = (t for t in found.tables if t.name == "corrections")
    (row,) = (dict(zip(table.columns, r, strict=True)) for r in table.rows)
    assert (row["event corrected"], row["was"], row["should read"]) == ("3", "count 12", "count 21")
    assert row["reason"] == "a slip"


def test_commands_show_both_readings(run: Program, scan: Path) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("use", "S-1", "--count", "12")
    said = run("correct", "2", "--set", "count=21", "--reason", "a slip").out
    assert "count 12 should read 21: a slip" in said
    assert "count 12 should read 21" in run("sieve", "show", "S-1").out
    assert run("correct", "2", "--set", "count", "--reason", "x").code == 2
    assert run("correct", "7", "--void", "--reason", "x").code == 43


def test_a_record_that_reads_so_already_is_not_corrected_again(worn: Registry) -> None:
    with pytest.raises(UsageError, match="already reads so"):
        fix(worn, "3", count="12")
    fix(worn, "3", count="21")
    with pytest.raises(UsageError, match="already reads so"):
        fix(worn, "3", count="21")
    void(worn, "3")
    with pytest.raises(UsageError, match="already reads so"):
        void(worn, "3")
    fix(worn, "3", count="21")  # stands again


def test_a_check_signed_off_is_void_only_after_its_signature(worn: Registry) -> None:
    check_commands.sign_check(worn, "C-0001", "", RecordTerms(by="Bo Reed"))
    signed = verification.ledger_head(worn)[0]
    with pytest.raises(RuleRefusedError, match=f"event {signed} signs C-0001.*void that one first"):
        void(worn, "C-0001")
    void(worn, str(signed))
    assert void(worn, "C-0001").void


def test_the_sieve_is_shown_with_the_numbers_by_which_its_records_are_corrected(
    run: Program,
) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    for number in range(1, 8):
        run("use", "S-1", "--count", str(number), "--note", f"run {number}")
    run("clean", "S-1", "--method", "brush")
    shown = run("sieve", "show", "S-1").out
    assert "the last 5 of 7" in shown
    assert [shown.split("run 7")[0].split()[-3], "run 7"] == ["#8", "run 7"]
    assert "#2 " not in shown
    assert "#9 " in shown
    assert run("correct", "#8", "--set", "count=9", "--reason", "a slip").code == 0


def test_a_nominal_is_put_right_before_the_first_check_and_corrected_after(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    """A size typed in mm for um would else hold forever, with the name taken."""
    add("S-1")

    def right(**changes: str) -> Correction:
        return quality_corrections.correct_identity(registry, "S-1", changes, ADA)

    assert right(nominal="75mm", grade="inspection").now["nominal_nm"] == 75_000_000
    assert sieve_queries.get_history(registry, "S-1").sieve.nominal_um == 75_000
    right(nominal="75um", grade="compliance")
    with pytest.raises(UnknownStandardError):
        right(standard="nobody's")
    check()
    with pytest.raises(RuleRefusedError, match="sieveward correct 1 --set nominal=90um --reason T"):
        right(nominal="90um")
    made = fix(registry, "1", nominal="90um")
    assert made.was == {"nominal_nm": 75_000}
    history = sieve_queries.get_history(registry, "S-1")
    assert (history.sieve.nominal_um, history.checks[0].nominal_nm) == (90, 75_000)
    assert verification.verify(registry).ok


def test_a_wrong_size_is_edited_at_the_command_line(run: Program) -> None:
    assert run("sieve", "add", "S-1", "--nominal", "75mm").code == 0
    edited = run("sieve", "edit", "S-1", "--nominal", "75um")
    assert (edited.code, "nominal in nm" in edited.out) == (0, True)
    assert json.loads(run("sieve", "show", "S-1", "--json", "-").out)["nominal_um"] == 75


def test_scans_of_an_earlier_check_are_named_in_the_record(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add("S-1")
    first, second = check(), check()
    assert "warnings" not in json.loads(first.event.payload)
    (warning,) = json.loads(second.event.payload)["warnings"]
    assert f"the same file that check {first.check.id} of sieve S-1 used" in warning


def test_scans_of_a_void_check_are_free_again(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], scan: Path
) -> None:
    add("S-1")
    first = check()
    assert len(used_before(registry, [scan])) == 1
    void(registry, first.check.id, "another sieve was scanned")
    assert used_before(registry, [scan]) == ()
