"""The guard band against published risk figures, and properties that hold for any cloth."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sieve_inspect.standard import limits
from sieve_inspect.verdict import OUTCOMES, judge
from sieve_inspect.verdict.rules import decide
from sound_direction import SOUND

CLOTH = replace(SOUND, mean_um=75.0, median_um=75.0, pitch_um=125.0)
ISO_75 = limits(75)


def acceptance_limit(u: float) -> float:
    """The largest mean that passes on the high side, by bisection through the public call."""
    low, high = 75.0, 78.7
    for _ in range(60):
        middle = (low + high) / 2
        cloth = replace(CLOTH, mean_um=middle, u_mean_um=u)
        low, high = (
            (middle, high)
            if judge(cloth, CLOTH, ISO_75, fit="ok").outcome == "pass"
            else (low, middle)
        )
    return low


@pytest.mark.parametrize("u", [0.05, 0.2, 0.5])
def test_risk_at_the_acceptance_limit_is_that_of_a_guard_band_of_u(u: float) -> None:
    # ILAC-G8:09/2019: w = U, normal, k = 2: specific risk below 2.5 %; exactly Φ(−2) = 2.275 %.
    from scipy.stats import norm

    risk = norm.sf(78.7, loc=acceptance_limit(u), scale=u)
    assert risk == pytest.approx(0.02275, abs=1e-5)


def test_risk_of_other_bands_for_comparison() -> None:
    # No band: 50 % at the limit; 0.83 U: below 5 % (ISO 14253-1 style, from memory).
    from scipy.stats import norm

    assert norm.sf(0) == 0.5
    assert norm.sf(2 * 0.83) == pytest.approx(0.0485, abs=5e-5)
    assert norm.sf(2 * 1.5) == pytest.approx(0.00135, abs=5e-6)


@pytest.mark.parametrize(
    ("deviation", "outcome"),
    [(1.7, "pass"), (2.5, "conditional pass")],  # 1.7 + 1 ≤ 3; 2.5 + 1 > 3
)
def test_a_micrometer_with_3_um_allowed_and_u_of_1_um(deviation: float, outcome: str) -> None:
    # A secondary training page on decision rules: MPE 3 um, U = 1 um, w = U.
    assert decide(deviation, 1.0, -3.0, 3.0, "guard-band") == outcome
    assert decide(-deviation, 1.0, -3.0, 3.0, "guard-band") == outcome


def test_probability_beyond_a_one_sided_limit_agrees_with_the_outcome() -> None:
    # JCGM 106:2012 7.3, inputs from memory: y = −5.47, u = 0.05, upper limit −5.40: 0.919
    # conform; inside the limit, but not with the 97.7 % that a band of U asks for.
    from scipy.stats import norm

    assert norm.cdf(-5.40, loc=-5.47, scale=0.05) == pytest.approx(0.919, abs=5e-4)
    assert decide(-5.47, 0.10, None, -5.40, "guard-band") == "conditional pass"


rank = OUTCOMES.index
lengths = st.floats(0.0, 300.0).map(lambda v: round(v, 4))
uncertainties = st.floats(0.0, 10.0).map(lambda v: round(v, 4))


def outcome(**y: Any) -> str:
    return judge(CLOTH, replace(CLOTH, **y), ISO_75, fit="ok").outcome


@given(lengths, st.floats(0, 1), uncertainties)
def test_a_mean_nearer_to_nominal_is_never_judged_worse(
    mean: float, toward: float, u: float
) -> None:
    nearer = mean + toward * (75.0 - mean)
    assert rank(outcome(mean_um=nearer, u_mean_um=u)) <= rank(outcome(mean_um=mean, u_mean_um=u))


@given(lengths, lengths, uncertainties)
def test_smaller_s_and_smaller_largest_aperture_are_never_judged_worse(
    a: float, b: float, u: float
) -> None:
    small, large = sorted((a, b))
    for value, unc in (("sd_um", "u_sd_um"), ("max_um", "u_max_um")):
        better, worse = (outcome(**{value: v, unc: u}) for v in (small, large))
        assert rank(better) <= rank(worse)


@given(lengths, uncertainties, uncertainties)
def test_less_uncertainty_never_turns_a_value_to_the_other_side(
    mean: float, a: float, b: float
) -> None:
    small, large = sorted((a, b))
    sharp, blurred = outcome(mean_um=mean, u_mean_um=small), outcome(mean_um=mean, u_mean_um=large)
    inside = abs(round(mean - 75.0, 6)) <= 3.7
    assert (rank(sharp) <= 1) == (rank(blurred) <= 1) == inside
    # Sharper moves outward on its own side: toward pass inside, toward fail outside.
    assert rank(sharp) <= rank(blurred) if inside else rank(sharp) >= rank(blurred)


@given(lengths, uncertainties)
def test_beyond_limit_and_uncertainty_is_always_a_fail(mean: float, u: float) -> None:
    beyond = round(abs(mean - 75.0) - 3.7 - 2 * u, 6)
    if beyond > 0:
        assert outcome(mean_um=mean, u_mean_um=u) == "fail"
    elif beyond < 0:
        assert outcome(mean_um=mean, u_mean_um=u) != "fail"


@given(lengths, lengths, lengths, uncertainties)
def test_the_outcome_is_the_worst_of_its_parts(
    mean: float, s: float, largest: float, u: float
) -> None:
    result = judge(
        CLOTH, replace(CLOTH, mean_um=mean, sd_um=s, max_um=largest, u_mean_um=u), ISO_75, fit="ok"
    )
    assert rank(result.outcome) == max(rank(row.outcome) for row in result.margins)
    assert (result.outcome == "pass") == (result.action == "keep")
    assert (result.outcome == "fail") == (result.action == "retire")


numbers = st.floats(allow_nan=True, allow_infinity=True)


@given(numbers, numbers, numbers, numbers)
def test_no_number_at_all_breaks_the_judging(
    mean: float, s: float, largest: float, u: float
) -> None:
    y = replace(CLOTH, mean_um=mean, sd_um=s, max_um=largest, u_mean_um=u, u_sd_um=u, u_max_um=u)
    result = judge(CLOTH, y, ISO_75, fit="ok")
    if not all(map(math.isfinite, (mean, s, largest, u))) or u < 0:
        assert result.outcome in ("conditional fail", "fail")
    assert result.reasons
    assert result.action_reason
