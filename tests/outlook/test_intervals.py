"""Intervals: the staircase and the wear, each with its reasons; whichever comes first.

ILAC-G24/OIML D 10:2022 names the methods; their numbers are common practice, no source.
"""

from __future__ import annotations

import json

import pytest

from foresee_lab import Lab
from program import Program
from sieve_registry.audit import verification
from sieve_registry.outlook.proposals import Proposal
from sieve_registry.outlook.queries import interval_view, outlook
from sieve_registry.sieves import commands as sieve_commands


def proposal(lab: Lab, method: str, day: int | None = None) -> Proposal:
    view = interval_view(lab.registry, "S-1", None if day is None else lab.day(day))
    return next(one for one in view.proposals if one.method == method)


# Mean limit ±3.7 um, U = 0.3 um: 75.5 uses (0.5 + 0.3) / 3.7 = 22 %; largest 90 um uses
# (15 + 1.0) / 26 = 62 %; s of 4.0 um uses (4.0 + 0.4) / 9.1 = 48 %.
@pytest.mark.parametrize(
    ("means", "months", "uses", "reason"),
    [
        ((75.5, 75.5), 15, 250, "passed with at most 62 % of a limit used: add a quarter"),
        ((75.5,), 12, 200, "only one clear pass in a row"),
        ((75.5, 78.3), 9, 160, "the mean in x uses 97 % of its limit: shorten by a fifth"),
        ((78.3, 75.5), 12, 200, "C-0001 was near a limit"),
        ((75.5, 78.6), 9, 160, "has the outcome conditional pass: shorten by a fifth"),
        ((75.5, 80.0), 6, 100, "C-0002 failed: halve the interval"),
        ((80.0, 75.5), 12, 200, "only one clear pass in a row"),
    ],
)
def test_one_step_of_the_staircase(
    lab: Lab, means: tuple[float, ...], months: int, uses: int, reason: str
) -> None:
    lab.add(interval_months=12, interval_uses=200)
    for n, x in enumerate(means):
        lab.check(100 * n, x=x)
    found = proposal(lab, "staircase")
    assert (found.months, found.uses) == (months, uses)
    assert reason in found.reasons[0]


def test_the_staircase_has_a_top_and_a_foot(lab: Lab) -> None:
    lab.add(interval_months=24)
    lab.check(0)
    lab.check(10)
    assert proposal(lab, "staircase").months == 24
    assert "end of this staircase" in proposal(lab, "staircase").reasons[1]
    sieve_commands.edit_sieve(lab.registry, "S-1", interval_months=1)
    lab.check(20, x=80.0)
    assert proposal(lab, "staircase").months == 1


def test_wear_proposes_four_fifths_of_the_way(lab: Lab) -> None:
    lab.add(interval_months=12, interval_uses=400)
    for n in range(4):
        lab.check(100 * n, x=75.5 + 0.3 * n, u=0.05, u_rel=0.0003)
        lab.use(100 * n + 50, 100)
    found = proposal(lab, "wear", 350)
    low = next(
        t.reach.low
        for t in outlook(lab.registry, "S-1", lab.day(350)).wear.trends
        if (t.name, t.direction) == ("mean", "x")
    )
    assert 900 < low < 1033  # see the tests of wear: reached at 1033 uses
    left = 0.8 * (low - 300)  # the last check came at 300 uses
    assert found.uses == left // 10 * 10
    assert f"after {low:.0f} uses in all" in found.reasons[0]
    assert found.months <= 18  # never over one and a half times


def test_wear_proposes_nothing_from_two_checks(lab: Lab) -> None:
    lab.add(interval_months=12)
    lab.check(0)
    lab.check(100)
    found = proposal(lab, "wear")
    assert (found.enough, found.months, found.uses) == (False, 12, None)
    assert found.reasons[0].startswith("not enough")


def test_whichever_comes_first(lab: Lab) -> None:
    lab.add(interval_months=12, interval_uses=200)
    lab.use(0, 10)
    lab.check(10)
    lab.use(110, 100)
    # 100 uses in the 110 days since the first: 100 left take 110 days more, well before a year.
    view = interval_view(lab.registry, "S-1", lab.day(110))
    assert view.due == lab.day(110 + 110)
    assert view.due_because == "200 uses expected by then"
    sieve_commands.edit_sieve(lab.registry, "S-1", interval_uses=900)
    view = interval_view(lab.registry, "S-1", lab.day(110))
    assert view.due_because == "12 months after the last check"


def test_a_person_takes_a_proposal_and_both_are_kept(lab: Lab, run: Program) -> None:
    lab.add(interval_months=12, interval_uses=200)
    lab.check(0)
    lab.check(100)
    answer = run("interval", "S-1")
    assert answer.code == 0
    assert all(len(line) <= 80 for line in answer.out.splitlines())
    assert "You decide" in answer.out
    assert run("interval", "S-1", "--accept", "wear").code == 2
    taken = run("interval", "S-1", "--accept", "staircase", "--by", "Ada Moss", "--reason", "ok")
    assert taken.code == 0
    data = json.loads(run("interval", "S-1", "--json", "-").out)
    assert (data["interval_months"], data["interval_uses"]) == (15, 250)
    (decided,) = data["decided"]
    assert (decided["method"], decided["was_months"], decided["by"]) == (
        "staircase",
        12,
        "Ada Moss",
    )
    assert decided["reasons"]
    assert verification.verify(lab.registry).ok


def test_only_what_there_is_can_be_taken(lab: Lab, run: Program) -> None:
    lab.add()
    assert "Check the sieve first." in run("interval", "S-1").out
    lab.check(0)
    assert "You decide: accept a proposal with --accept staircase." in run("interval", "S-1").out
