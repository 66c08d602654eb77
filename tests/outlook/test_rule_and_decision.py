"""The rule named before measuring, the risk of a verdict with history, and the person's word."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

from foresee_lab import Lab
from present import present
from program import Program
from sieve_registry.audit import verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.quality import decisions
from sieve_registry.quality.decisions import RiskRow, RuleView
from sieve_registry.sieves.decision_rules import rule_of, set_rule
from sieve_registry.sieves.recording import RecordTerms


def view(lab: Lab) -> RuleView:
    return decisions.rule_view(lab.registry, "S-1")


def risk(lab: Lab, name: str = "mean", direction: str = "x") -> RiskRow:
    return next(r for r in view(lab).risks if (r.name, r.direction) == (name, direction))


def test_without_a_named_rule_the_guard_band_of_u_holds(lab: Lab) -> None:
    lab.add()
    assert lab.check(0, x=78.5).check.rule == "guard-band"
    assert view(lab).rule.since is None


@pytest.mark.parametrize(
    ("rule", "outcome"),
    [  # mean 78.5 um, limit 78.7, u = 0.15: U = 0.30, P = Φ(1.333) = 0.909
        ("guard-band", "conditional pass"),
        ("guard-band:0.5", "pass"),
        ("simple", "pass"),
        ("probability:0.9", "pass"),
        ("probability:0.95", "conditional pass"),
    ],
)
def test_a_check_is_judged_by_the_rule_named_before_it(lab: Lab, rule: str, outcome: str) -> None:
    lab.add()
    set_rule(lab.registry, "S-1", rule, terms=RecordTerms(lab.day(0), "Ada Moss"))
    found = lab.check(0, x=78.5).check
    assert (found.rule, found.outcome) == (rule, outcome)


def test_a_rule_named_later_judges_no_earlier_check(lab: Lab) -> None:
    lab.add()
    lab.check(0, x=78.5)
    lab.clock.day = lab.day(10)
    set_rule(lab.registry, "S-1", "simple")
    assert check_queries.get_check(lab.registry, "C-0001").check.outcome == "conditional pass"
    assert rule_of(lab.registry, "S-1", lab.day(9)).rule == "guard-band"
    assert lab.check(10, x=78.5).check.outcome == "pass"


def test_a_fail_that_meets_limits_the_laboratory_allows_is_restricted_to_them(lab: Lab) -> None:
    # 78.9 um is beyond 75 + 3.7 of ISO 3310-1:2016 (U = 0.1), within 75 + 4.1 of ASTM E11-09.
    lab.add()
    coarser = [("astm-e11:2009", "compliance")]
    decisions.name_rule(lab.registry, "S-1", None, coarser, "", RecordTerms(None, "Ada Moss"))
    found = lab.check(0, x=78.9, u=0.05).check
    assert (found.outcome, found.action) == ("fail", "restrict to coarser limits")


def test_the_conformance_probability_of_each_value(lab: Lab) -> None:
    lab.add()
    lab.check(0, x=78.5)
    assert risk(lab).p_conform == pytest.approx(0.9088, abs=5e-5)  # Φ(0.2 / 0.15)
    assert risk(lab).risk_with_history is None  # no earlier check
    assert risk(lab, "largest aperture").p_conform == pytest.approx(1.0)


def test_earlier_checks_lower_or_raise_the_risk_of_a_doubtful_check(lab: Lab) -> None:
    lab.add()
    for n in range(4):
        lab.check(100 * n, x=77.0, u_rel=0.0)
        lab.use(100 * n + 50, 100)
    lab.check(400, x=78.5)
    found = risk(lab)
    # By hand: a level line through 4 checks of u = 0.15 at t = 0, 1, 2, 3, carried on to t = 4:
    # u² = 0.15² (1/4 + 2.5² / 5) = 0.15² × 1.5; with the check 0.15 itself the weights are
    # 1/1.5 and 1, so 77.9 um with u = 0.15 √0.6 = 0.1162: Φ(−0.8 / 0.1162) is nearly nothing.
    assert found.prior_um == pytest.approx(77.0)
    assert found.prior_u_um == pytest.approx(0.15 * 1.5**0.5)
    assert 1 - found.p_conform == pytest.approx(0.0912, abs=5e-5)
    assert found.risk_with_history == pytest.approx(0.0, abs=1e-9)
    # Against it: what had come to 78.6 does not stand at 78.2 all at once.
    lab.add("S-2")
    for n in range(4):
        lab.check(100 * n, "S-2", x=78.6)
    lab.check(400, "S-2", x=78.4)
    (row, *_) = decisions.rule_view(lab.registry, "S-2").risks
    assert present(row.risk_with_history) > 1 - present(row.p_conform)


def test_a_single_earlier_check_is_a_wide_prior(lab: Lab) -> None:
    lab.add()
    lab.check(0, x=77.0)
    lab.check(10, x=78.5)
    found = risk(lab)
    assert present(found.prior_u_um) > 3 * 0.15
    assert present(found.risk_with_history) < 1 - present(found.p_conform)


def test_both_the_proposal_and_the_decision_are_kept(lab: Lab, run: Program) -> None:
    lab.add()
    lab.check(0, x=80.0)
    assert run("decide", "C-1", "--action", "keep").code == 2  # against the proposal: say why
    assert run("decide", "C-1", "--action", "paint").code == 2
    answer = run("decide", "C-1", "--action", "retire", "--by", "Ben Ray")
    assert answer.code == 0
    assert "sieveward retire S-1" in answer.out
    run("decide", "C-1", "--action", "Keep", "--reason", "for coarse sand only", "--by", "Ben Ray")
    data = json.loads(run("rule", "S-1", "--json", "-").out)
    assert [(d["proposed"], d["decided"]) for d in data["decisions"]] == [
        ("retire", "retire"),
        ("retire", "keep"),
    ]
    assert check_queries.get_check(lab.registry, "C-1").check.action == "retire"  # unchanged
    assert verification.verify(lab.registry).ok


def test_the_rule_command(lab: Lab, run: Program) -> None:
    lab.add()
    assert "the default" in run("rule", "S-1").out
    assert run("rule", "S-1", "--set", "generous").code == 2
    assert run("rule", "S-1", "--coarser", "nowhere").code == 20
    assert run("rule", "S-1", "--repeatability", "nothing").code == 2
    named = ("--set", "probability:0.95", "--coarser", "astm-e11:2009,compliance")
    assert run("rule", "S-1", *named, "--date", str(lab.day(0))).code == 0
    lab.clock.day = date.today() + timedelta(days=2)  # the program's clock is the real one
    lab.check(3, x=78.4)
    answer = run("rule", "S-1")
    assert [line for line in answer.out.splitlines() if len(line) > 80] == []
    assert "grade compliance, when it fails its own limits" in answer.out
    assert "97.7 %" in answer.out  # Φ(2)
