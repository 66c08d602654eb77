"""The line behind the forecast: certified data, a textbook line, and coverage by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_registry.outlook.straight_line import Point, covariance, crossing, fit

# NIST Statistical Reference Datasets, linear regression, "Norris" (ozone monitors), pairs y x.
# Recalled, not fetched: that the certified figures below come out proves the recall.
NORRIS = """
0.1 0.2   338.8 337.4   118.1 118.2   888.0 884.6   9.2 10.1      228.1 226.5
668.5 666.3   998.5 996.3   449.1 448.6   778.9 777.0   559.2 558.2   0.3 0.4
0.1 0.6   778.1 775.5   668.8 666.9   339.3 338.0   448.9 447.5   10.8 11.6
557.7 556.0   228.3 228.1   998.0 995.8   888.8 887.6   119.6 120.2   0.3 0.3
0.6 0.3   557.6 556.8   339.3 339.1   888.0 887.2   998.5 999.0   778.9 779.0
10.2 11.1   117.6 118.3   228.9 229.2   668.4 669.1   449.2 448.9   0.2 0.5
"""


def norris() -> tuple[np.ndarray, np.ndarray]:
    numbers = np.array(NORRIS.split(), float).reshape(-1, 2)
    return numbers[:, 1], numbers[:, 0]


def test_nist_norris() -> None:
    x, y = norris()
    assert len(x) == 36
    found = fit(np.column_stack([np.ones(36), x]), [Point(v, 1.0) for v in y])
    assert found is not None
    assert found.beta[0] == pytest.approx(-0.262323073774029, rel=1e-10)
    assert found.beta[1] == pytest.approx(1.00211681802045, rel=1e-12)
    residual_sd = (found.chi2 / found.dof) ** 0.5
    assert residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    # Certified standard deviations of the estimates, from the unit covariance times the residual's.
    scale = residual_sd / found.scatter_factor
    sd = np.sqrt(np.diag(found.cov)) * scale
    assert sd == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)


def test_what_all_values_share_moves_the_level_but_not_the_slope() -> None:
    t = np.array([0.0, 1.0, 2.0, 4.0])
    design = np.column_stack([np.ones(4), t])
    alone = fit(design, [Point(v, 0.1) for v in (1.0, 2.1, 2.9, 5.0)])
    shared = fit(design, [Point(v, 0.1, 0.5, "scale A") for v in (1.0, 2.1, 2.9, 5.0)])
    assert alone is not None
    assert shared is not None
    assert shared.beta == pytest.approx(alone.beta)
    assert shared.cov[1, 1] == pytest.approx(alone.cov[1, 1])
    assert shared.cov[0, 0] == pytest.approx(alone.cov[0, 0] + 0.5**2)


def test_groups_share_only_among_themselves() -> None:
    v = covariance([Point(0, 1, 0.5, "A"), Point(0, 2, 0.5, "A"), Point(0, 1, 0.3, "B")])
    assert v == pytest.approx(np.array([[1.25, 0.25, 0], [0.25, 4.25, 0], [0, 0, 1.09]]))


def test_scatter_beyond_the_stated_uncertainty_widens_the_interval() -> None:
    t = np.arange(6.0)
    wild = [Point(v, 0.1) for v in (0.0, 2.0, 1.0, 4.0, 3.0, 6.0)]
    found = fit(np.column_stack([np.ones(6), t]), wild)
    assert found is not None
    assert found.scatter_factor > 5
    assert found.quantile == pytest.approx(2.776, abs=5e-4)  # Student's t, 4 degrees, 95 %


def test_values_without_a_spread_in_t_or_in_number_are_no_line() -> None:
    ones = np.ones((3, 1))
    points = [Point(1.0, 0.1)] * 3
    assert fit(np.hstack([ones, ones]), points) is None
    assert fit(np.array([[1.0, 2.0]]), points[:1]) is None
    assert fit(np.hstack([ones, [[0], [1], [2]]]), [Point(1.0, 0.0)] * 3) is None


def test_fieller_by_hand() -> None:
    # Two points at t = 0 and 1, u = 0.1 each: a = 0, b = 1, C_aa = 0.01, C_ab = −0.01, C_bb = 0.02.
    found = fit(np.array([[1.0, 0.0], [1.0, 1.0]]), [Point(0.0, 0.1), Point(1.0, 0.1)])
    assert found is not None
    reached = crossing(found, np.array([1.0, 0.0]), np.array([0.0, 1.0]), 2.0)
    assert reached is not None
    assert reached.best == pytest.approx(2.0)
    # (θ − 2)² = q² (0.01 − 0.02 θ + 0.02 θ²), q = 1.95996: 0.92317 θ² − 3.92317 θ + 3.96158 = 0.
    assert (reached.low, reached.high) == pytest.approx((1.65192, 2.59777), abs=5e-5)


def test_a_slope_that_may_be_zero_reaches_nothing() -> None:
    found = fit(np.array([[1.0, 0.0], [1.0, 1.0]]), [Point(0.0, 1.0), Point(1.0, 1.0)])
    assert found is not None
    assert crossing(found, np.array([1.0, 0.0]), np.array([0.0, 1.0]), 2.0) is None


@pytest.mark.parametrize(("own", "common"), [(0.15, 0.0), (0.15, 0.2), (0.05, 0.3)])
@pytest.mark.parametrize("n", [3, 5, 9])
def test_the_interval_has_its_stated_coverage(n: int, own: float, common: float) -> None:
    """2000 sieves wear from 75.5 um by 3 um in 1000 uses; the limit is reached at a known use."""
    rng = np.random.default_rng(17)
    t = np.linspace(0, 600, n) / 1000
    design = np.column_stack([np.ones(n), t])
    truth, start, slope = (78.3 - 75.5) / 3.0, np.array([1.0, 0.0]), np.array([0.0, 1.0])
    covered = told = 0
    for _ in range(2000):
        values = 75.5 + 3.0 * t + rng.normal(0, own, n) + rng.normal(0, common)
        found = fit(design, [Point(v, own, common, "one scale") for v in values])
        assert found is not None
        reached = crossing(found, start, slope, 78.3)
        if reached is not None:
            told += 1
            covered += reached.low <= truth <= reached.high
    assert told > 1900  # the slope is plain in nearly every history
    assert 0.90 <= covered / told <= 0.99
