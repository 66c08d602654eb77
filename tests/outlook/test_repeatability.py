"""Repeatability and reproducibility against a certified data set, and by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from foresee_lab import Lab
from program import Program
from sieve_inspect.errors import BadTableError
from sieve_inspect.summary.repeatability import (
    cochran_critical,
    grubbs_critical,
    precision,
    with_study,
)
from sieve_inspect.summary.uncertainty import Contribution, Quantity
from sieve_registry.quality.studies import read_study
from sound_direction import SOUND

# NIST Statistical Reference Datasets, one-way analysis of variance, "SiRstv" (resistivity of
# silicon wafers, five instruments). Recalled, not fetched: that the certified figures come out
# proves the recall.
SIRSTV = {
    "1": [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    "2": [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    "3": [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    "4": [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    "5": [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
}


def test_nist_silicon_resistivity() -> None:
    found = precision(SIRSTV)
    assert (found.df_between, found.df_within) == (4, 20)
    assert found.ss_between == pytest.approx(5.11462616000000e-02, rel=1e-8)
    assert found.ss_within == pytest.approx(2.16636560000000e-01, rel=1e-8)
    assert found.ms_between == pytest.approx(1.27865654000000e-02, rel=1e-8)
    assert found.ms_within == pytest.approx(1.08318280000000e-02, rel=1e-8)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-8)
    assert found.s_r == pytest.approx(1.04076068334656e-01, rel=1e-8)  # certified residual sd


def test_the_parts_by_hand() -> None:
    # Groups 10, 12 and 14, 16: means 11 and 15, within 2 + 2 over 2 = 2, between 2 (2² + 2²) = 16.
    found = precision({"a": [10, 12], "b": [14, 16]})
    assert (found.ms_within, found.ms_between) == (2.0, 16.0)
    assert found.s_r**2 == pytest.approx(2.0)
    assert found.s_L**2 == pytest.approx((16 - 2) / 2)
    assert found.s_R**2 == pytest.approx(7 + 2)
    assert found.r_limit == pytest.approx(2.8 * 2**0.5)
    # s_R² = 16/2 + 2 (1 − 1/2) = 8 + 1; ν = 9² / (8²/1 + 1²/2) after Welch and Satterthwaite.
    assert found.dof_R == pytest.approx(81 / 64.5)
    assert precision({"a": [1, 3], "b": [1, 3]}).dof_R == 2  # no group stands out
    # F = 8 with 1 and 2 degrees: p = 0.1056 (t = √8 with 2 degrees, two-sided).
    assert found.p_value == pytest.approx(0.10557, abs=5e-5)


def test_unequal_groups_count_by_their_size() -> None:
    # n = 2, 3: n̄ = (5 − 13/5) / 1 = 2.4; mean 13; between 2 × 9 + 3 × 4 = 30; within 2 + 2 = 4.
    found = precision({"a": [9, 11], "b": [14, 15, 16]})
    assert found.ss_between == pytest.approx(30)
    assert found.ss_within == pytest.approx(4)
    assert found.s_L**2 == pytest.approx((30 - 4 / 3) / 2.4)


def test_groups_nearer_than_their_scatter_add_nothing() -> None:
    found = precision({"a": [1.0, 3.0], "b": [1.0, 3.0]})
    assert found.s_L == 0
    assert found.s_R == found.s_r


@pytest.mark.parametrize("groups", [{}, {"a": [1, 2]}, {"a": [1], "b": [2]}])
def test_too_few_groups_are_refused(groups: dict[str, list[int]]) -> None:
    with pytest.raises(ValueError, match=r"needed|needs"):
        precision(groups)


@pytest.mark.parametrize(
    ("p", "n", "one", "five"),
    [  # ISO 5725-2 table of Cochran's critical values, from memory
        (5, 2, 0.928, 0.841),
        (10, 3, 0.536, 0.445),
        (8, 2, 0.794, 0.680),
    ],
)
def test_cochran_critical_values(p: int, n: int, one: float, five: float) -> None:
    assert cochran_critical(p, n, 0.01) == pytest.approx(one, abs=6e-4)
    assert cochran_critical(p, n, 0.05) == pytest.approx(five, abs=6e-4)


@pytest.mark.parametrize(
    ("p", "one", "five"),
    [(3, 1.155, 1.155), (8, 2.274, 2.126), (10, 2.482, 2.290)],  # ISO 5725-2, from memory
)
def test_grubbs_critical_values(p: int, one: float, five: float) -> None:
    assert grubbs_critical(p, 0.01) == pytest.approx(one, abs=1e-3)
    assert grubbs_critical(p, 0.05) == pytest.approx(five, abs=1e-3)


def test_a_group_far_off_is_named() -> None:
    good = {str(i): [10.0 + 0.1 * (i % 3), 10.2 + 0.1 * (i % 2)] for i in range(8)}
    assert precision(good).outliers == ()
    (far,) = precision({**good, "7": [19.0, 19.1]}).outliers
    assert (far.test, far.group, far.level) == ("Grubbs", "7", "outlier")
    wild = precision({**good, "7": [7.0, 13.4]}).outliers
    assert [(one.test, one.group) for one in wild] == [("Cochran", "7")]


def test_s_r_of_a_study_goes_into_the_budget_on_request() -> None:
    cloth = replace(
        SOUND,
        count=400,
        sd_um=4.0,
        max_um=90.0,
        u_mean_um=0.3,
        u_sd_um=0.2,
        u_max_um=0.5,
        wire_count=40,
        pitch_um=125.0,
    )
    budget = [
        Contribution("scale", "x", 0.3),
        Contribution("noise on the maximum", "x", 0.4, of=Quantity.LARGEST),
    ]
    study = [Contribution("reproducibility", "x", 0.4, 4), Contribution("reproducibility", "y", 9)]
    wider, lines = with_study(cloth, budget, study, "x")
    assert wider.u_mean_um == pytest.approx(0.5)
    assert wider.u_max_um == pytest.approx((0.5**2 + 0.4**2) ** 0.5)
    assert wider.u_sd_um == cloth.u_sd_um
    assert [line.name for line in lines] == [
        "scale",
        "noise on the maximum",
        "reproducibility",
    ]
    assert with_study(cloth, budget, (), "x") == (cloth, budget)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "no values"),
        ("a,b\n1,2\n", "header has to be"),
        ("group,value_um\na,1\n", "two groups"),
        ("group,value_um\na,1\nb,2\n", "two values"),
        ("group,value_um\na,x\n", "line 2: value_um 'x' is not a number"),
        ("group,value_um\na,inf\n", "not a number"),
        ("group,value_um\n,1\n", "group is blank"),
        ("group,direction,value_um\na,z,1\n", "neither x nor y"),
        ("group,value_um\na,1,2\n", "3 cells"),
    ],
)
def test_a_table_that_does_not_hold_together_is_refused(
    tmp_path: Path, text: str, reason: str
) -> None:
    path = tmp_path / "study.csv"
    path.write_text(text)
    with pytest.raises(BadTableError, match=reason):
        read_study(path)


def test_a_study_is_kept_and_widens_the_checks_of_a_sieve(
    lab: Lab, run: Program, tmp_path: Path
) -> None:
    lab.add()
    path = tmp_path / "study.csv"
    rows = [
        f"{operator},{direction},{75 + 0.1 * i + 0.01 * k}"
        for i, operator in enumerate(("Ada", "Ben", "Cleo"))
        for direction in "xy"
        for k in range(3)
    ]
    path.write_text("group,direction,value_um\n" + "\n".join(rows) + "\n")
    answer = run("repeatability", str(path), "--record", "scanner 2", "--date", str(lab.day(0)))
    assert answer.code == 0
    assert all(len(line) <= 80 for line in answer.out.splitlines())
    assert run("rule", "S-1", "--repeatability", "scanner 2", "--date", str(lab.day(0))).code == 0
    shown = json.loads(run("rule", "S-1", "--json", "-").out)
    assert shown["repeatability"] == "scanner 2"
    from sieve_registry.sieves.decision_rules import contributions, rule_of

    rule = rule_of(lab.registry, "S-1", lab.day(1))
    # By hand: means 75.01, 75.11, 75.21: s = 0.1; s_r = 0.01; s_L² = 0.01 − 0.0001 / 3.
    s_R = (0.01 - 0.0001 / 3 + 0.0001) ** 0.5
    lines = contributions(lab.registry, rule.study)
    assert [line.direction for line in lines] == ["x", "y"]
    assert [line.value_um for line in lines] == pytest.approx([s_R, s_R])
    assert rule.rule == "guard-band"
