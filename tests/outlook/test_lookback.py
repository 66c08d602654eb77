"""The look back a laboratory owes after a bad sieve (ISO/IEC 17025:2017, 7.10)."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import pytest

from foresee_lab import Lab
from present import present
from program import Program
from sieve_registry.ledger.events import SieveQuarantined
from sieve_registry.ledger.records import Use
from sieve_registry.quality import references
from sieve_registry.quality.lookback import Lookback, lookback_of, lookbacks_of
from sieve_registry.quality.reference_rules import cement
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import record_fact
from sieve_registry.sieves.recording import RecordTerms


def look(lab: Lab, day: int = 500) -> Lookback:
    lab.clock.day = max(lab.clock.day, lab.day(day))
    return lookback_of(sieve_queries.get_history(lab.registry, "S-1"), lab.day(day))


def counts(uses: tuple[Use, ...]) -> list[int]:
    return [use.count for use in uses]


def story(lab: Lab) -> None:
    """Good on day 100, bad on day 200; 7 uses before, 30 and 4 between, 2 after."""
    lab.add()
    lab.check(0)
    lab.use(50, 7)
    lab.check(100)
    lab.use(110, 30, material="quartz sand", stack="sands")
    lab.use(150, 4, method="wet")
    lab.check(200, x=80.0)
    lab.use(201, 2)


def test_what_lies_between_good_and_bad(lab: Lab) -> None:
    story(lab)
    found = look(lab)
    assert found.good.id == "C-0002"
    assert found.cause.check.id == "C-0003"
    assert counts(found.between) == [30, 4]
    assert counts(found.after) == [2]  # used in spite of it
    assert found.uses == 36


def test_a_later_good_check_ends_the_look_back(lab: Lab) -> None:
    story(lab)
    lab.check(210, x=75.5)  # cleaned, say
    lab.use(220, 50)
    found = look(lab)
    assert (counts(found.between), counts(found.after)) == ([30, 4], [2])


def test_on_one_day_the_order_of_recording_decides(lab: Lab) -> None:
    lab.add()
    lab.use(100, 1)
    lab.check(100)
    lab.use(100, 2)
    lab.check(100, x=80.0)
    lab.use(100, 3)
    found = look(lab)
    assert (counts(found.between), counts(found.after)) == ([2], [3])


def test_several_bad_checks_in_a_row_go_back_to_the_first(lab: Lab) -> None:
    story(lab)
    lab.check(210, x=80.0)
    lab.check(220, x=80.0)
    found = look(lab)
    assert found.cause.check.id == "C-0003"
    assert counts(found.between) == [30, 4]


def test_without_a_good_check_the_look_back_starts_at_the_beginning(lab: Lab) -> None:
    lab.add()
    lab.use(10, 5)
    lab.check(20, x=80.0)
    found = look(lab)
    assert found.good is None
    assert found.since == lab.day(0)
    assert counts(found.between) == [5]


def test_damage_demands_a_look_back_too(lab: Lab) -> None:
    lab.add()
    lab.check(0)
    lab.use(10, 5)
    lab.clock.day = lab.day(20)
    payload = SieveQuarantined(reason="dropped, cloth torn", damage=True)
    record_fact(lab.registry, "S-1", payload, RecordTerms(lab.day(20), "Ben Ray"))
    found = look(lab)
    assert "dropped, cloth torn" in found.cause.reason
    assert counts(found.between) == [5]


@pytest.mark.parametrize("x", [75.5, 78.6])  # pass, conditional pass
def test_without_a_failed_check_there_is_nothing_to_review(lab: Lab, x: float) -> None:
    lab.add()
    lab.use(10, 5)
    lab.check(20, x=x)
    assert look(lab).cause is None
    assert look(lab).uses == 0


def test_a_conditional_fail_is_looked_back_on(lab: Lab) -> None:
    lab.add()
    lab.check(0)
    lab.use(10, 5)
    lab.check(20, x=78.8)
    assert look(lab).cause.reason.endswith("conditional fail")


def test_an_earlier_day_is_answered_as_of_that_day(lab: Lab) -> None:
    story(lab)
    assert look(lab, 199).cause is None
    assert look(lab, 200).uses == 34


def test_the_command_and_its_lists(lab: Lab, run: Program, tmp_path: Path) -> None:
    story(lab)
    lab.use(202, 1, material="=1+1", stack="<b>&</b>")
    table, page = tmp_path / "back.csv", tmp_path / "back.html"
    answer = run("lookback", "S-1", "--csv", str(table), "--html", str(page))
    assert answer.code == 0
    assert all(len(line) <= 80 for line in answer.out.splitlines())
    assert "3 uses came after it" in answer.out
    rows = list(csv.reader(table.read_text("utf-8-sig").splitlines()))
    assert [row[3] for row in rows] == ["uses", "30", "4", "2", "1"]
    assert [row[4] for row in rows[1:]] == ["before", "before", "after", "after"]
    assert not rows[-1][8].startswith("=")  # a spreadsheet must not compute it
    text = page.read_text()
    assert "&lt;b&gt;&amp;&lt;/b&gt;" in text
    assert "<b>" not in text
    assert "http" not in text.replace("http-equiv", "")
    assert "quartz sand" in text
    data = json.loads(run("lookback", "S-1", "--json", "-").out)
    assert (data["check"], data["last_good"], data["uses"]) == ("C-0003", "C-0002", 37)
    assert run("lookback", "S-1", "--fail-on", "uses").code == 1
    lab.add("S-2")
    assert run("lookback", "S-2", "--fail-on", "uses").code == 0


def decide(run: Program, event: int, result: str) -> None:
    words = ("lookback", "S-1", "--use", str(event), "--result", result, "--reason", "lot re-run")
    assert run(*words).code == 0


def test_a_look_back_is_open_until_each_result_is_decided(lab: Lab, run: Program) -> None:
    """ISO/IEC 17025:2017, 7.10.1 f and 7.10.2: a decision about the sieve closes no result."""
    story(lab)
    today = date.today().isoformat()
    decided = run("decide", "C-0003", "--action", "retire", "--by", "Eva Lind", "--reason", "worn")
    assert decided.code == 0
    audit = json.loads(run("audit", "--as-of", today, "--json", "-").out)
    assert [row["decided"] for row in audit["lookbacks"]] == ["open, 3 of 3 results"]
    first, second, third = (use.seq for use in look(lab).entries)
    decide(run, first, "not-affected")
    decide(run, second, "affected")
    assert json.loads(run("lookback", "S-1", "--json", "-").out)["open"] == 2
    decide(run, second, "customer-told")
    assert run("lookback", "S-1", "--fail-on", "uses").code == 1
    decide(run, third, "not-affected")
    assert run("lookback", "S-1", "--fail-on", "uses").code == 0
    (row,) = json.loads(run("audit", "--as-of", today, "--json", "-").out)["lookbacks"]
    assert " by " in row["decided"]


def test_an_older_cause_stays_open_behind_a_newer_one(lab: Lab, run: Program) -> None:
    story(lab)
    lab.check(210, x=75.5)
    lab.use(220, 50)
    lab.check(230, x=80.0)
    data = json.loads(run("lookback", "S-1", "--json", "-").out)
    assert [cause["uses"] for cause in data["causes"]] == [36, 50]
    assert data["open"] == 4
    newest = lookbacks_of(sieve_queries.get_history(lab.registry, "S-1"), lab.clock.day)[-1]
    decide(run, newest.entries[0].seq, "not-affected")
    data = json.loads(run("lookback", "S-1", "--json", "-").out)
    assert [use["result"] for use in data["causes"][0]["before"]] == [None, None]
    assert data["open"] == 3


def test_scrap_by_reference_cement_opens_a_look_back(lab: Lab) -> None:
    """A factor above 1.20 is scrap (facts, section 4), as bad as a failed check."""
    lab.add()
    lab.check(0)
    lab.use(10, 5)
    lab.clock.day = lab.day(20)
    result = cement(10.0, [7.9, 8.0])
    references.record(lab.registry, "S-1", result, "cement 7", RecordTerms(lab.day(20), "Ben Ray"))
    back = look(lab)
    assert "cement" in present(back.cause).reason
    assert counts(back.between) == [5]


def test_a_result_can_be_reviewed_after_the_sieve_is_retired(lab: Lab, run: Program) -> None:
    story(lab)
    assert run("retire", "S-1", "--reason", "worn").code == 0
    decide(run, look(lab).entries[0].seq, "not-affected")
    assert run("lookback", "S-1", "--use", "1", "--result", "affected", "--reason", "x").code == 2


def test_a_reference_check_recorded_by_mistake_is_withdrawn_and_its_look_back_with_it(
    lab: Lab, run: Program
) -> None:
    lab.add()
    lab.check(0)
    lab.use(10, 5)
    lab.clock.day = lab.day(20)
    cemented = ("reference", "cement", "S-1", "--certified", "10", "--residue", "7.9")
    told = run(*cemented, "--residue", "8.0", "--material", "cement 7").out
    number = told.partition("Recorded as event ")[2].partition(".")[0]
    assert f"To withdraw it: sieveward correct {number} --void" in told
    assert "decide: 1. See: sieveward lookback S-1" in run("due").out
    (review,) = json.loads(run("due", "--json", "-").out)["lookbacks"]
    assert (review["id"], review["cause"], review["uses"]) == ("S-1", int(number), 5)
    assert run("correct", number, "--void", "--reason", "another sieve").code == 0
    assert "Open look-back" not in run("due").out
    assert look(lab).cause is None
    shown = json.loads(run("reference", "show", "S-1", "--json", "-").out)
    assert [check["kind"] for check in shown["checks"]] == ["optical"]


def test_a_decision_is_withdrawn_by_its_number(lab: Lab, run: Program) -> None:
    lab.add()
    check = lab.check(0).check.id
    told = run("decide", check, "--action", "retire", "--reason", "dented rim").out
    number = told.partition("Recorded as event ")[2].partition(".")[0]
    assert "decided" in run("sieve", "show", "S-1").out
    assert run("correct", number, "--void", "--reason", "wrong sieve").code == 0
    assert json.loads(run("rule", "S-1", "--json", "-").out)["decisions"] == []
    state = sieve_queries.get_state(lab.registry, "S-1")
    assert state.decided is None
