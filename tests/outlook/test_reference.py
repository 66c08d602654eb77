"""Performance checks with reference material, worked by hand."""

from __future__ import annotations

import json
import math
from pathlib import Path

import openpyxl
import pytest

from foresee_lab import Lab
from program import Program
from sieve_inspect.errors import BadTableError, UsageError
from sieve_registry.audit import verification
from sieve_registry.quality.curves import Curve, read_curve
from sieve_registry.quality.reference_rules import BeadsProcedure, beads, cement, e_n, master
from sieve_registry.quality.references import optical_mean

# A synthetic certificate, invented for this test; worked by hand: 45.10 / 87.40 = 51.60 %, between
# 47.0 and 54.0: 145 + 5 × 4.602 / 7 = 148.29 um.
CERTIFICATE = Curve((140.0, 145.0, 150.0, 155.0), (40.0, 47.0, 54.0, 61.0))
CERTIFICATE_CSV = "size_um,passing_percent\n140,40.0\n145,47.0\n150,54.0\n155,61.0\n"


def test_the_mean_effective_aperture_from_beads() -> None:
    found = beads(CERTIFICATE, 87.40, 45.10)
    assert found.passing_percent == pytest.approx(51.60, abs=5e-3)
    assert found.aperture_um == pytest.approx(148.29, abs=5e-3)


def test_the_uncertainty_of_beads_holds_weighing_splitting_and_end_point() -> None:
    """By hand at 51.6 %: the curve rises 5 um in 7 %, every rectangle is a/√3, U = 2 u."""
    weighing = 100 / 87.4 * math.hypot(0.1, 0.516 * 0.1) / math.sqrt(3)
    further = 0.01 * (100 - 51.602) / math.sqrt(3)
    u = math.hypot(weighing, further, 0.3)
    found = beads(CERTIFICATE, 87.40, 45.10, 1.5, BeadsProcedure(0.1, 1.0, 0.3))
    assert found.U_um == pytest.approx(math.hypot(1.5, 2 * 5 / 7 * u), rel=1e-4)
    assert beads(CERTIFICATE, 87.40, 45.10).U_um is None  # a curve of unknown U


@pytest.mark.parametrize("through", [34.0, 60.0, -1.0, 90.0])
def test_beads_outside_the_certified_curve_give_no_result(through: float) -> None:
    with pytest.raises(UsageError):
        beads(CERTIFICATE, 87.40, through)


@pytest.mark.parametrize(
    ("residues", "factor", "usable"),
    [
        ((5.0, 5.2), 1.0196, True),  # 5.2 / 5.1
        ((5.0, 5.3), 1.0097, True),  # 0.3 apart is still within
        ((4.0, 4.6, 4.3), 1.2093, False),  # 5.2 / 4.3
        ((6.5, 6.5), 0.80, True),  # the ends belong to it
        ((6.6, 6.6), 0.7879, False),
    ],
)
def test_the_cement_factor(residues: tuple[float, ...], factor: float, usable: bool) -> None:
    # Two runs, a third beyond 0.3 % absolute, C from 0.80 to 1.20: seen in the trade's guides.
    # That three runs count by their mean: from memory.
    found = cement(5.2, residues)
    assert found.factor == pytest.approx(factor, abs=5e-5)
    assert found.usable is usable


def test_runs_too_far_apart_ask_for_a_third() -> None:
    found = cement(5.2, (5.0, 5.31))
    assert (found.third_run, found.factor, found.usable) == (True, None, None)
    for wrong in ((5.0,), (5.0, 5.0, 5.0, 5.0), (0.0, 5.0)):
        with pytest.raises(UsageError):
            cement(5.2, wrong)


def test_e_n_by_its_formula() -> None:
    # ISO 13528: (10.5 − 10.0) / √(0.3² + 0.4²) = 1.0.
    assert e_n(10.5, 0.3, 10.0, 0.4) == pytest.approx(1.0)
    with pytest.raises(UsageError):
        e_n(1.0, 0.0, 1.0, 0.0)


def test_a_working_sieve_against_its_master() -> None:
    found = master([(12.4, 12.1), (12.6, 12.2), (12.3, 12.1)], (0.4, 0.3))
    assert found.difference == pytest.approx(0.3)
    assert found.e_n == pytest.approx(0.6)
    assert found.satisfactory
    # The scatter of pairs: differences 0.3, 0.4, 0.2, s = 0.1, U = 4.303 × 0.1 / √3 = 0.248.
    alone = master([(12.4, 12.1), (12.6, 12.2), (12.3, 12.1)])
    assert alone.U_difference == pytest.approx(0.2484, abs=5e-4)
    assert master([(12.4, 12.1)]).e_n is None


@pytest.mark.parametrize("differences", [(5.0, -3.0, 4.0), (0.49, 0.5, 0.51)])
def test_pairs_alone_are_no_proficiency_test(differences: tuple[float, ...]) -> None:
    """E_n needs U of both results: pairs that scatter widely are not satisfactory for that."""
    found = master([(20 + d, 20) for d in differences])
    assert (found.e_n, found.satisfactory, found.outcome) == (None, None, "not judged")
    known = master([(20 + d, 20) for d in differences], (0.8, 0.6))
    # E_n = 2.0 / √(0.8² + 0.6²) and 0.5 / 1.0
    assert known.e_n == pytest.approx(sum(differences) / 3)
    assert known.satisfactory == (abs(sum(differences) / 3) <= 1)


def test_e_n_against_the_optical_check_uses_its_own_coverage_factor(lab: Lab) -> None:
    """u = 0.2 um at 2 degrees of freedom: k = 4.53, so U = 0.91 um instead of 0.4 um."""
    lab.add()
    check = lab.check(0, u=0.2, dof=2.0).check
    optical = optical_mean(lab.registry, check)
    assert optical is not None
    assert optical[1] == pytest.approx(4.527 * 0.2, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "two points"),
        ("um,percent\n1,2\n", "header has to be size_um,passing_percent"),
        ("size_um,passing_percent\n1,2\n", "two points"),
        ("size_um,passing_percent\n1,2\n1,3\n", "line 3: the sizes have to rise"),
        ("size_um,passing_percent\n1,5\n2,3\n", "line 3: the percentages may not fall"),
        ("size_um,passing_percent\n1,5\n2,101\n", "101 percent is not possible"),
        ("size_um,passing_percent\n-1,5\n", "not possible"),
        ("size_um,passing_percent\n1,5\n2,x\n", "'x' is not a number"),
        ("size_um,passing_percent\n1,5,6\n", "3 cells"),
        ("size_um,passing_percent\nnan,5\n", "not possible"),
    ],
)
def test_a_curve_that_does_not_hold_together_is_refused(
    tmp_path: Path, text: str, reason: str
) -> None:
    path = tmp_path / "curve.csv"
    path.write_text(text)
    with pytest.raises(BadTableError, match=reason):
        read_curve(path)


def test_a_curve_with_a_byte_order_mark_and_blank_lines_is_read(tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_text("\ufeffsize_um,passing_percent\r\n\r\n140, 40\r\n145,47\r\n")
    assert read_curve(path) == Curve((140.0, 145.0), (40.0, 47.0))
    with pytest.raises(BadTableError):
        read_curve(tmp_path / "absent.csv")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp1252"])
def test_a_curve_is_read_as_a_german_spreadsheet_saves_it(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "curve.csv"
    path.write_text("size_um;passing_percent\n140,5;40\n145;47,25\n", encoding=encoding)
    assert read_curve(path) == Curve((140.5, 145.0), (40.0, 47.25))


def test_a_curve_is_read_from_a_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    for row in (["size_um", "passing_percent"], [140, 40], [], [145.5, 47]):
        book.active.append(row)
    book.save(tmp_path / "curve.xlsx")
    assert read_curve(tmp_path / "curve.xlsx") == Curve((140.0, 145.5), (40.0, 47.0))


def test_a_file_too_large_for_a_curve_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_bytes(b"1" * 1_000_001)
    with pytest.raises(BadTableError, match="over 1 MB"):
        read_curve(path)


def test_reference_checks_stand_beside_the_optical_ones(
    lab: Lab, run: Program, tmp_path: Path
) -> None:
    lab.add(nominal=150.0)
    curve = tmp_path / "beads.csv"
    curve.write_text(CERTIFICATE_CSV)
    lab.check(0, x=150.2, y=149.8, largest=180.0, sd=9.0)
    on = ("--date", str(lab.day(1)), "--by", "Ada Moss", "--json", "-")
    said = ("--charged", "87.40", "--through", "45.10", "--certified-u", "1.5")
    answer = run(
        "reference", "beads", "S-1", "--certificate", str(curve), *said, "--material", "lot 7", *on
    )
    data = json.loads(answer.out)
    assert data["aperture_um"] == pytest.approx(148.29, abs=5e-3)
    # 5 um in 7 %: by the balance (0.05 g) and 1 % of the residue still to come, a/√3 each.
    of_percent = math.hypot(100 / 87.4 * math.hypot(1, 0.516) * 0.05, 0.01 * 48.4) / math.sqrt(3)
    assert data["U_um"] == pytest.approx(math.hypot(1.5, 2 * 5 / 7 * of_percent), rel=1e-3)
    # u of both directions is 0.15 um, so U of their mean 0.3.
    e_n = (148.29 - 150.00) / math.hypot(data["U_um"], 0.3)
    assert data["e_n"] == pytest.approx(e_n, abs=3e-3)
    runs = ("--certified", "5.2", "--residue", "5.0")
    late = run("reference", "cement", "S-1", *runs, "--residue", "5.4", "--material", "RC 1", *on)
    assert late.code == 2
    assert "make a third" in late.err
    run("reference", "cement", "S-1", *runs, "--residue", "5.2", "--material", "RC 1", *on)
    run("reference", "master", "S-1", "--pair", "12.4,12.1", "--u", "0.4,0.3",
        "--material", "master M-1", *on)  # fmt: skip
    shown = run("reference", "show", "S-1").out
    assert [line.split()[1] for line in shown.splitlines()[2:]] == [
        "optical", "beads", "cement", "master",
    ]  # fmt: skip
    assert all(len(line) <= 80 for line in shown.splitlines())
    assert "C = 1.020" in shown
    assert "E_n = +0.60" in shown
    assert verification.verify(lab.registry).ok
