"""Limits looked up, computed and refused; the limit on s for a sample of n."""

from __future__ import annotations

import csv
import json
import math
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sieve_inspect.errors import (
    NominalOutsideError,
    UnknownStandardError,
    UsageError,
)
from sieve_inspect.standard import NotTabulatedError, formula, limits, list_standards
from sieve_inspect.standard.formula import round_half_up

WITH_FORMULA = ["iso3310-1:2016", "astm-e11:2009", "iso3310-1:1990"]

with (Path(__file__).parent / "e11_sampling_sigma.csv").open(encoding="utf-8") as stream:
    SAMPLED = [row for row in csv.DictReader(stream) if row["s_compliance_um"]]


def test_every_listed_standard_answers_and_the_default_comes_first() -> None:
    assert list_standards()[0] == limits(75).standard == "iso3310-1:2016"
    assert set(list_standards()) == {*WITH_FORMULA, "iso3310-1:2000", "astm-e11:1995"}
    for standard in list_standards():
        result = limits(75, standard)
        assert result.standard == standard
        assert result.max_um == 75 + result.x_um
        json.dumps(result.to_dict(), allow_nan=False)


def test_the_keys_of_the_json() -> None:
    keys = "nominal_um designation standard y_um x_um max_um z_um s_limit_um n wire_um"
    assert {*keys.split(), "wire_min_um", "wire_max_um", "source"} <= limits(75).to_dict().keys()


def test_a_size_outside_the_table_is_computed_and_named_so() -> None:
    # By hand for w = 65 um: X = 2·65^0.75/3 + 4·65^0.25 = 26.62, Y = 65^0.98/27 + 1.6 = 3.815.
    iso, e11 = limits(65), limits(65, "astm-e11:2009")
    assert (iso.x_um, iso.y_um) == (24.0, 3.4)  # 23.96, 3.43
    assert (e11.x_um, e11.y_um) == (27.0, 3.8)
    for result in (iso, e11):
        assert result.computed
        assert "computed from the formula, not a tabulated size" in result.source[0]
        assert result.s_limit_um is not None
        assert result.wire_um is None
    assert not limits(63).computed


def test_s_is_left_open_where_no_rule_reaches() -> None:
    assert limits(12_000).s_limit_um is None  # ISO: the 5 % rule overstates above 4 mm
    assert limits(48_000, "astm-e11:2009").s_limit_um is None  # E11: no solution from 45 mm


@pytest.mark.parametrize("w", [20, 125_000])
def test_the_range_includes_its_ends(w: float) -> None:
    for standard in WITH_FORMULA:
        assert limits(w, standard).nominal_um == w


@pytest.mark.parametrize("w", [19.999, 125_000.1, 0, -75, math.nan, math.inf, 1e300, 0.075])
@pytest.mark.parametrize("standard", list_standards())
def test_outside_the_range_is_refused(w: float, standard: str) -> None:
    with pytest.raises(NominalOutsideError) as caught:
        limits(w, standard)
    assert caught.value.exit_code == 19


def test_an_edition_without_a_formula_names_its_nearest_sizes() -> None:
    with pytest.raises(NotTabulatedError, match="63 um and 75 um"):
        limits(70, "astm-e11:1995")


@pytest.mark.parametrize("name", ["iso3310-1:2001", "iso", "", "  ", "E11", "iso3310-1:2016x"])
def test_an_unknown_standard_is_refused_with_the_known_ones(name: str) -> None:
    with pytest.raises(UnknownStandardError, match="iso3310-1:2016, astm-e11:2009"):
        limits(75, name)


def test_case_and_blanks_of_an_id_do_not_matter() -> None:
    assert limits(75, " ASTM-E11:2009 ") == limits(75, "astm-e11:2009")


def test_unknown_grade_and_impossible_counts_are_refused() -> None:
    for kwargs in ({"grade": "best"}, {"n": 0}, {"n": -3}):
        with pytest.raises(UsageError) as caught:
            limits(75, **kwargs)
        assert caught.value.exit_code == 2


@pytest.mark.parametrize("row", SAMPLED, ids=lambda r: r["nominal_um"])
def test_e11_s_limits_with_the_tables_own_counts(row: dict[str, str]) -> None:
    for grade in ("inspection", "calibration"):
        result = limits(float(row["nominal_um"]), "astm-e11:2009", grade=grade)
        if row[f"s_{grade}_um"]:
            assert result.s_limit_um == float(row[f"s_{grade}_um"])
            assert result.n == int(row[f"n_{grade}"])
        else:
            assert result.s_limit_um is None
            assert result.n == (int(row[f"n_{grade}"]) if row[f"n_{grade}"] else None)


@pytest.mark.parametrize("row", SAMPLED, ids=lambda r: r["nominal_um"])
def test_the_divisor_reproduces_the_published_sampled_limits(row: dict[str, str]) -> None:
    # σ0 is itself rounded (0.01 um below 1 mm, 1 um from there), hence the tolerance.
    tolerance = 0.04 if float(row["nominal_um"]) < 1000 else 1.5
    for grade in ("inspection", "calibration"):
        if row[f"s_{grade}_um"]:
            divisor = formula.s_divisor(grade, int(row[f"n_{grade}"]))
            expected = float(row[f"s_{grade}_um"])
            assert float(row["s_compliance_um"]) / divisor == pytest.approx(expected, abs=tolerance)


def test_e11_s_limit_for_a_given_count() -> None:
    # 10.23 um, No. 200; by hand: 1 + 2.58/√(2·79) = 1.20525; 1 + 3/√(2·49) = 1.30305.
    inspection = limits(75, "astm-e11:2009", grade="inspection", n=80)
    calibration = limits(75, "astm-e11:2009", grade="calibration", n=50)
    assert (inspection.s_limit_um, inspection.n) == (8.49, 80)
    assert (calibration.s_limit_um, calibration.n) == (7.85, 50)
    assert limits(75, "astm-e11:2009", n=50).s_limit_um == 10.23  # compliance: σ0 itself


def test_the_published_limit_wins_for_the_published_count() -> None:
    # 1 mm, inspection: 42 um for n = 40 in the table, where 55 / 1.2921 is 42.57 um.
    by_table = limits(1000, "astm-e11:2009", grade="inspection")
    assert by_table == limits(1000, "astm-e11:2009", grade="inspection", n=40)
    assert by_table.s_limit_um == 42.0
    assert (
        limits(1000, "astm-e11:2009", grade="inspection", n=41).s_limit_um == 42.69
    )  # 55 / (1 + 2.58/√80)


def test_one_aperture_has_no_standard_deviation() -> None:
    for standard in WITH_FORMULA:
        for grade in formula.GRADES:
            result = limits(75, standard, grade=grade, n=1)
            assert result.s_limit_um is None
            assert any("one aperture" in text for text in result.source)


def test_a_grade_without_a_published_count_needs_one() -> None:
    without = limits(22_400, "astm-e11:2009", grade="calibration")
    assert without.s_limit_um is None
    assert any("give n" in text for text in without.source)
    # By hand: √38 = 6.16441, 1 + 3/6.16441 = 1.48666, 734 / 1.48666 = 493.72.
    assert limits(22_400, "astm-e11:2009", grade="calibration", n=20).s_limit_um == 493.72


def test_half_up_is_exact() -> None:
    # 2.5 goes to 3 where banker's rounding says 2; 0.35 lies below 0.35 as a binary float.
    assert round_half_up(Decimal("2.5"), Decimal(1)) == 3
    assert round_half_up(Decimal("0.35"), Decimal("0.1")) == Decimal("0.4")
    assert round_half_up(Decimal("425"), Decimal(10)) == 430
    assert round_half_up(Decimal("424.9999999999999999999"), Decimal(10)) == 420


sizes = st.integers(20_000, 125_000_000).map(lambda nm: nm / 1000)


@given(sizes, sizes, st.sampled_from(WITH_FORMULA))
def test_a_larger_sieve_never_has_smaller_limits(a: float, b: float, standard: str) -> None:
    # True within one way of rounding: where the step grows (280 um, 1 mm, 37.5 mm) it may dip.
    small, large = sorted((a, b))
    bands = (0, 280, 1000, 37_500)
    low, high = limits(small, standard), limits(large, standard)
    assert low.max_um <= high.max_um
    if [small < edge for edge in bands] == [large < edge for edge in bands]:
        assert low.x_um <= high.x_um
        assert low.y_um <= high.y_um


@given(sizes, st.sampled_from(WITH_FORMULA))
def test_mean_is_held_tighter_than_the_largest_aperture(w: float, standard: str) -> None:
    result = limits(w, standard)
    assert 0 < result.y_um < result.x_um
    if result.z_um is not None:
        assert result.y_um < result.z_um < result.x_um
    if result.s_limit_um is not None:
        assert result.s_limit_um < result.x_um


@given(sizes)
def test_iso_2016_is_never_wider_than_1990(w: float) -> None:
    new, old = limits(w), limits(w, "iso3310-1:1990")
    assert new.x_um <= old.x_um
    assert new.y_um <= old.y_um


@given(sizes, st.integers(2, 2000), st.integers(2, 2000))
def test_more_apertures_never_tighten_the_limit_on_s(w: float, a: int, b: int) -> None:
    few, many = sorted((a, b))
    for grade in ("inspection", "calibration"):
        low = limits(w, "astm-e11:2009", grade=grade, n=few).s_limit_um
        high = limits(w, "astm-e11:2009", grade=grade, n=many).s_limit_um
        if low is not None and high is not None:
            # The published value of the table's own n is rounded to 1 um from 1 mm on.
            assert low <= high + (1.5 if w >= 1000 else 0.05)
