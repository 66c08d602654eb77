"""A sieve's life as pure rules: what each day allows, and every objection to a record.

ISO/IEC 17025:2017: 6.4.4 verified before it returns to service, 6.4.9 out of service.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from program import Program
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.errors import (
    BadTextError,
    DateRefusedError,
    RuleRefusedError,
    SieveRetiredError,
)
from sieve_registry.ledger.events import SieveReturned, UseLogged
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.lifecycle import IntendedRecord, objections
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA, BO = RecordTerms(by="Ada Moss"), RecordTerms(by="Bo Reed")


def on(day: str, by: str = "Bo Reed", why: str = "") -> RecordTerms:
    return RecordTerms(date.fromisoformat(day), by, why)


@pytest.fixture
def bad(registry: Registry, add: Callable[..., Any], check: Callable[..., Any]) -> Registry:
    """A sieve in service since January, checked in February, quarantined for damage in March."""
    add(in_service=date(2026, 1, 1))
    check(on="2026-02-01")
    sieve_commands.quarantine(registry, "S-1", "dropped", on("2026-03-01"), damage=True)
    return registry


def test_a_quarantined_sieve_is_not_due_and_the_reason_is_shown(bad: Registry) -> None:
    state = sieve_queries.get_state(bad, "S-1")
    assert (state.status, state.due, state.overdue) == ("quarantined", None, False)
    assert "check it" in state.due_because
    assert [r.message for r in state.remarks] == ["in quarantine since 2026-03-01: dropped"]
    assert sieve_queries.due(bad) == []
    assert sieve_queries.get_state(bad, "S-1", date(2026, 2, 28)).status == "in service"


@pytest.mark.parametrize(
    ("outcomes", "message"),
    [
        ([], "not checked since its damage"),
        (["fail"], "C-0002 since the damage is a fail"),
        (["pass", "conditional fail"], "C-0003 since the damage is a conditional fail"),
        (["conditional pass"], ""),
        (["fail", "pass"], ""),
    ],
)
def test_no_return_without_a_passing_check_since_the_damage(
    bad: Registry, check: Callable[..., Any], outcomes: list[str], message: str
) -> None:
    for outcome in outcomes:
        check(outcome=outcome)
    if message:
        with pytest.raises(RuleRefusedError, match=message):
            sieve_commands.return_to_service(bad, "S-1", "straightened", BO)
        assert sieve_queries.get_state(bad, "S-1").status == "quarantined"
    else:
        state = sieve_commands.return_to_service(bad, "S-1", "straightened", BO)
        assert (state.status, state.due) == ("in service", date(2027, 3, 2))
    assert verification.verify(bad).ok


def test_a_check_of_the_day_before_the_damage_is_no_ground_to_return(
    bad: Registry, check: Callable[..., Any]
) -> None:
    check(on="2026-02-28")
    with pytest.raises(RuleRefusedError, match="not checked since"):
        sieve_commands.return_to_service(bad, "S-1", "looks well", BO)


def test_what_is_not_in_quarantine_cannot_return_and_what_is_not_again(
    bad: Registry, add: Callable[..., Any], registry: Registry
) -> None:
    add("S-2")
    with pytest.raises(RuleRefusedError, match="not in quarantine"):
        sieve_commands.return_to_service(registry, "S-2", "x", BO)
    with pytest.raises(RuleRefusedError, match=r"already, since 2026-03-01 \(dropped\)"):
        sieve_commands.quarantine(bad, "S-1", "again", BO)


def test_a_quarantined_sieve_is_not_used_but_its_earlier_use_may_be_entered(bad: Registry) -> None:
    with pytest.raises(RuleRefusedError, match="sieveward return"):
        sieve_commands.log_use(bad, "S-1", 1)
    assert sieve_commands.log_use(bad, "S-1", 4, on_date=date(2026, 2, 20)).uses_total == 4


def test_a_retired_sieve_gets_no_act_at_all(bad: Registry) -> None:
    sieve_commands.retire(bad, "S-1", "bent")
    with pytest.raises(SieveRetiredError):
        sieve_commands.clean(bad, "S-1", "brush", "", BO)
    for command in (sieve_commands.quarantine, sieve_commands.return_to_service):
        with pytest.raises(RuleRefusedError, match=r"\(1\) Sieve 'S-1' was retired .*; \(2\) it"):
            command(bad, "S-1", "x", BO)
    check_commands.sign_check(bad, "C-0001", "", BO)  # what was recorded before may still be signed


@pytest.mark.parametrize("reason", ["", "  "])
def test_each_decision_needs_a_reason(
    bad: Registry, add: Callable[..., Any], registry: Registry, reason: str
) -> None:
    add("S-2")
    with pytest.raises(BadTextError):
        sieve_commands.quarantine(registry, "S-2", reason, BO)
    with pytest.raises(BadTextError):
        sieve_commands.return_to_service(bad, "S-1", reason, BO)


# --- the second person ---


def test_nobody_signs_their_own_check(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check()
    with pytest.raises(RuleRefusedError, match="a second person"):
        check_commands.sign_check(registry, "C-1", "", RecordTerms(by="ada  MOSS"))
    state = check_commands.sign_check(registry, "C-1", "seen", BO)
    assert state.signed.person == "Bo Reed"
    with pytest.raises(RuleRefusedError, match="was signed by Bo Reed"):
        check_commands.sign_check(registry, "C-1", "", RecordTerms(by="Cy Fenn"))


def test_where_a_second_person_is_demanded_a_return_waits_for_it(
    bad: Registry, check: Callable[..., Any]
) -> None:
    audit_commands.demand_sign_off(bad, True, ADA)
    check()
    with pytest.raises(RuleRefusedError, match="C-0002 is not signed off"):
        sieve_commands.return_to_service(bad, "S-1", "straightened", BO)
    check_commands.sign_check(bad, "C-0002", "", BO)
    assert sieve_commands.return_to_service(bad, "S-1", "straightened", BO).status == "in service"


def test_an_unsigned_check_is_remarked_upon_from_the_day_it_is_demanded(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2026, 1, 1))
    check(on="2026-02-01")
    audit_commands.demand_sign_off(registry, True, on("2026-02-10"))
    before, after = (sieve_queries.get_state(registry, "S-1", date(2026, 2, d)) for d in (9, 10))
    assert before.remarks == ()
    assert [r.message for r in after.remarks] == [
        "in service although its last check C-0001 is not signed off"
    ]
    audit_commands.demand_sign_off(registry, False, on("2026-02-20"))
    assert sieve_queries.get_state(registry, "S-1").remarks == ()


def test_nothing_is_slipped_in_before_a_sign_off_without_a_reason(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2026, 1, 1))
    check(on="2026-02-01")
    check_commands.sign_check(registry, "C-0001", "", on("2026-02-03"))
    early = date(2026, 2, 2)
    with pytest.raises(DateRefusedError, match=r"sign-off of 2026-02-03: say with --why-late"):
        sieve_commands.log_use(registry, "S-1", 1, on_date=early)
    sieve_commands.log_use(registry, "S-1", 1, on_date=date(2026, 2, 3))
    state = sieve_commands.log_use(
        registry, "S-1", 1, late_reason="found in the paper book", on_date=early
    )
    assert state.uses_total == 2
    with registry.reading() as connection:
        from sieve_registry.store import reader

        assert '"why_late":"found in the paper book"' in reader.last_event(connection).payload


# --- all at once ---


def test_all_objections_to_a_record_are_named_at_once(
    bad: Registry, check: Callable[..., Any]
) -> None:
    audit_commands.demand_sign_off(bad, True, ADA)
    check(outcome="fail")
    history = sieve_queries.get_history(bad, "S-1")
    tomorrow = date(2026, 3, 3)
    intended = IntendedRecord(SieveReturned, tomorrow, date(2026, 3, 2), "the return", ("Bo Reed",))
    found = [finding.message for finding in objections(history, intended)]
    assert len(found) == 3
    assert "future" in found[0]
    assert "C-0002 since the damage is a fail" in found[1]
    assert "C-0002 is not signed off" in found[2]
    with pytest.raises(RuleRefusedError, match=r"\(1\).*\(2\).*\(3\)"):
        sieve_commands.return_to_service(bad, "S-1", "x", RecordTerms(tomorrow, "Bo Reed"))


def test_no_objection_is_an_empty_list(registry: Registry, add: Callable[..., Any]) -> None:
    add()
    history = sieve_queries.get_history(registry, "S-1")
    today = date(2026, 3, 2)
    assert objections(history, IntendedRecord(UseLogged, today, today, "the use")) == []


# --- clocks ---


def test_a_clock_set_back_records_nothing_without_a_reason(
    registry: Registry, add: Callable[..., Any], clock: Clock
) -> None:
    add()
    clock.set("2026-02-27")
    with pytest.raises(DateRefusedError, match="set the clock"):
        add("S-2")
    with pytest.raises(DateRefusedError, match="clock shows 2026-02-27T12:00:00Z"):
        sieve_commands.log_use(registry, "S-1", 1)
    assert (
        sieve_commands.log_use(registry, "S-1", 1, late_reason="it ran ahead before").uses_total
        == 1
    )
    assert verification.verify(registry).ok


def test_commands_of_a_life(run: Program, scan: Path) -> None:
    by = ("--by", "Ada Moss", "--accept-scan", "a drawn scan")
    typed = ("check", "S-1", scan, "--um-per-px", "5.29", *by)
    run("sieve", "add", "S-1", "--nominal", "75um", "--type", "W 200", "--warp", "x")
    assert run(*typed).code == 0
    assert "Signed off" in run("sign", "C-0001", "--by", "Bo Reed").out
    assert run("quarantine", "S-1", "--reason", "dented", "--damage").code == 0
    assert run("use", "S-1", "--count", "1").code == 42
    assert run("return", "S-1", "--reason", "x").code == 42
    assert run("clean", "S-1", "--method", "ultrasonic bath").code == 0
    assert run(*typed).code == 0
    assert "in service again" in run("return", "S-1", "--reason", "flat again").out
    shown = run("sieve", "show", "S-1").out
    assert "sieve quarantined by" in shown
    assert "ultrasonic bath" in shown
    assert "W 200" in shown
    assert run("verify").code == 0
    assert run("sign", "--demand", "yes").code == 0
    assert run("sign").code == 2
