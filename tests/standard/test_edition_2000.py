"""The 2000 edition: K s held to σ0, with the one worked example seen (GB/T 6003.1 Annex A)."""

from __future__ import annotations

from statistics import mean, stdev

import pytest

from sieve_inspect.standard import limits
from sieve_inspect.standard.formula import k_factor

# Annex A, example 1: nominal 2 mm, 25 apertures, mm.
EXAMPLE_1 = 3 * [1.859] + 5 * [1.906] + 11 * [1.953] + 6 * [2.000]
# Example 2: 50 apertures; its K was cut off in the copy seen.
EXAMPLE_2 = (
    2 * [1.859] + 4 * [1.906] + 9 * [1.953] + 20 * [2.000]
    + 10 * [2.047] + 3 * [2.094] + 2 * [2.141]
)  # fmt: skip


def test_example_1_passes_as_printed() -> None:
    assert len(EXAMPLE_1) == 25
    assert mean(EXAMPLE_1) == pytest.approx(1.9436, abs=5e-5)
    s = stdev(EXAMPLE_1)
    assert s == pytest.approx(0.0450, abs=5e-5)
    k = float(k_factor(25))
    assert k == 1.55  # as printed
    assert k * s == pytest.approx(0.070, abs=5e-4)  # as printed, against σ0 = 0.105
    result = limits(2000, "iso3310-1:2000", n=25)
    assert result.s_limit_um == 67.74  # 105 / 1.55, down
    assert 1000 * s <= result.s_limit_um


def test_example_2_by_the_rule_decoded_from_example_1() -> None:
    assert len(EXAMPLE_2) == 50
    assert sum(EXAMPLE_2) == pytest.approx(99.953)
    assert stdev(EXAMPLE_2) == pytest.approx(0.0612, abs=5e-5)
    # K(50) was not seen; the rule decoded gives 1.34, so 0.0820 against 0.105.
    assert float(k_factor(50)) * stdev(EXAMPLE_2) == pytest.approx(0.0820, abs=5e-5)


@pytest.mark.parametrize("n", [2, 5, 10, 25, 60, 200, 5000])
def test_k_is_the_two_sided_99_percent_bound_cut_after_two_decimals(n: int) -> None:
    from scipy.stats import chi2

    bound = ((n - 1) / chi2.ppf(0.005, n - 1)) ** 0.5
    assert 0 <= bound - float(k_factor(n)) < 0.01


def test_two_readings_of_99_percent_disagree_and_the_one_that_gives_the_seen_value_is_taken() -> (
    None
):
    from scipy.stats import chi2

    assert (24 / chi2.ppf(0.01, 24)) ** 0.5 == pytest.approx(1.487, abs=5e-4)  # one-sided
    assert (24 / chi2.ppf(0.005, 24)) ** 0.5 == pytest.approx(1.558, abs=5e-4)  # two-sided


def test_the_limit_times_k_never_exceeds_sigma_0() -> None:
    for n in range(2, 120):
        limit = limits(2000, "iso3310-1:2000", n=n).s_limit_um
        assert limit is not None
        k = float(k_factor(n))
        assert 105 - 0.01 * k < limit * k <= 105 + 1e-9


def test_without_a_count_or_a_sigma_0_there_is_no_limit_and_the_source_gives_the_reason() -> None:
    assert limits(2000, "iso3310-1:2000").s_limit_um is None
    assert "give n" in limits(2000, "iso3310-1:2000").source[-1]
    fine = limits(75, "iso3310-1:2000", n=50)
    assert fine.s_limit_um is None
    assert fine.computed
    assert "not known for this edition" in fine.source[-1]
    assert "assumed" in fine.source[0]


def test_x_and_y_are_named_as_assumed_and_follow_the_edition_before() -> None:
    for w in (2000, 2800, 4000, 75):
        new, old = limits(w, "iso3310-1:2000"), limits(w, "iso3310-1:1990")
        assert (new.x_um, new.y_um) == (old.x_um, old.y_um)
        assert "assumed" in new.source[0]
