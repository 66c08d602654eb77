"""What is said ahead of a sieve whose checks were read in from a laboratory's older table.

Such checks have means and an outcome, but no uncertainty, no limits and no proposal.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from foresee_lab import Lab
from program import Program

TABLE = """sieve,date,outcome,mean_x,mean_y
S-1,2024-02-01,pass,75.1,75.2
S-1,2025-02-01,pass,75.3,75.4
S-1,2026-02-01,{last},75.5,75.6
"""


@pytest.fixture
def told(lab: Lab, run: Program, tmp_path: Path) -> Callable[..., str]:
    """What a command answers after the table with its last outcome was read in."""

    def answer(last: str, *typed: str) -> str:
        lab.clock.day = lab.day(900)
        lab.add()
        table = tmp_path / "past.csv"
        table.write_text(TABLE.format(last=last))
        assert run("import", str(table), "--what", "checks").code == 0
        return run(*typed).out

    return answer


def test_wear_names_what_is_missing(told: Callable[..., str]) -> None:
    said = " ".join(told("pass", "wear", "S-1").split())
    assert "none of the 3 checks of this cloth gave this value with its uncertainty" in said
    assert "keep it in use until it is checked, the imported record C-0003 passed" in said


@pytest.mark.parametrize("last", ["fail", "conditional pass", "not judged"])
def test_an_earlier_record_that_did_not_pass_asks_for_a_check(
    told: Callable[..., str], last: str
) -> None:
    found = json.loads(told(last, "wear", "S-1", "--json", "-"))
    assert found["action"] == "measure better"
    assert f"C-0003 has the outcome '{last}'" in found["action_reason"]


def test_the_staircase_neither_lengthens_nor_shortens_on_what_is_not_recorded(
    told: Callable[..., str],
) -> None:
    found = json.loads(told("pass", "interval", "S-1", "--json", "-"))
    stairs = next(one for one in found["proposals"] if one["method"] == "staircase")
    assert stairs["months"] == 12
    assert stairs["reasons"] == ["C-0003 has no margins on record: the interval stays"]


def test_a_failed_earlier_record_still_halves_the_interval(told: Callable[..., str]) -> None:
    found = json.loads(told("fail", "interval", "S-1", "--json", "-"))
    stairs = next(one for one in found["proposals"] if one["method"] == "staircase")
    assert stairs["months"] == 6
