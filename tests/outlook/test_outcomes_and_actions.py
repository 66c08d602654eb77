"""One case for each outcome and each proposed action, from the check to what is kept of it.

The sieve is 75 um by ISO 3310-1:2016 (mean 71.3 to 78.7 um); each mean has U = 0.3 um (k = 2), so
that the guard band of ILAC-G8:09/2019 runs from 78.4 to 79.0 um around the upper limit.
"""

from __future__ import annotations

import pytest

from foresee_lab import Lab
from sieve_registry.quality import decisions
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms

#            mean x, um   blocked share   outcome            action proposed
CASES = {
    "well inside": (75.5, 0.0, "pass", "keep"),
    "inside, within the guard band": (78.5, 0.0, "conditional pass", "measure better"),
    "outside, by less than U": (78.9, 0.0, "conditional fail", "measure better"),
    "outside by more than U": (79.1, 0.0, "fail", "retire"),
    "well inside, but blocked": (75.5, 0.03, "pass", "clean and recheck"),
    "in doubt and blocked: cleaned first": (78.5, 0.03, "conditional pass", "clean and recheck"),
    "outside and blocked: cleaning is named": (79.1, 0.03, "fail", "retire"),
}


@pytest.mark.parametrize("case", CASES)
def test_outcome_and_action(lab: Lab, case: str) -> None:
    mean, blocked, outcome, action = CASES[case]
    lab.add()
    check = lab.check(0, x=mean, u=0.15, blocked=blocked).check
    assert (check.outcome, check.action) == (outcome, action)
    assert check.action_reason.startswith("Proposed: ")
    assert check.action_reason.endswith(("You decide.", "decide."))
    if blocked and outcome == "fail":
        assert "clean it and measure again before deciding" in check.action_reason
    # The tool proposes: nothing but the check was recorded, the sieve still is as it was.
    assert sieve_queries.get_state(lab.registry, "S-1").status == "in service"


def test_a_fail_that_meets_coarser_limits_may_serve_under_them(lab: Lab) -> None:
    """79.1 um: outside 78.7 um, but inside the ± 4.1 um of ASTM E11 less U only at 78.8 um."""
    lab.add()
    coarser = [("astm-e11:2009", "compliance")]
    decisions.name_rule(lab.registry, "S-1", None, coarser, "", RecordTerms(by="Ada Moss"))
    check = lab.check(0, x=79.05, u=0.02).check  # U = 0.04 um: 79.01 um is kept under ASTM E11
    assert (check.outcome, check.action) == ("fail", "restrict to coarser limits")
    assert "astm-e11:2009" in check.action_reason


def test_a_sound_sieve_that_wears_fast_is_checked_sooner(lab: Lab) -> None:
    """2 um in 100 uses; 78.4 um would be reached before the next check in twelve months."""
    lab.add()
    for number in range(4):
        check = lab.check(number * 180, x=75.0 + number * 0.95, u=0.15).check
        lab.use(number * 180 + 1, 100)
    assert (check.outcome, check.action) == ("pass", "keep with a shorter interval")
    assert "before" in check.action_reason


@pytest.mark.parametrize("action", ["keep", "clean and recheck", "measure better", "retire"])
def test_a_person_may_decide_otherwise_and_both_are_kept(lab: Lab, action: str) -> None:
    lab.add()
    check = lab.check(0, x=79.1, u=0.15).check
    kept = decisions.decide(lab.registry, check.id, action, "seen", RecordTerms(by="Ada Moss"))
    assert (kept["proposed"], kept["decided"]) == ("retire", action)
    (fact,) = decisions.rule_view(lab.registry, "S-1").decided
    assert (fact.person, fact.payload.decided) == ("Ada Moss", action)
