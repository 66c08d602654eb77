"""Straight lines, covariances and maps against published figures and against simulation."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_inspect.errors import UsageError
from sieve_inspect.scale.least_squares import clustered_covariance, least_squares, robust_weights
from sieve_inspect.scale.linear_map import Straight
from sieve_inspect.scale.map_fitting import fit_map
from sieve_inspect.scale.marks import Observations
from sieve_inspect.scale.pixel_map import PixelMap, chebyshev, convex_hull, nearest_covered

# NIST StRD, linear regression, data set "Norris" (y, x). Data and certified values from memory:
# that the one reproduces all digits of the other vouches for both.
NORRIS_TEXT = """
    0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
    449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
    448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
    0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
    228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
NORRIS = np.array(NORRIS_TEXT.split(), dtype=float).reshape(-1, 2)

# GUM (JCGM 100:2008) H.3, thermometer calibration: reading in degC, correction in degC. From
# memory, likewise vouched for by reproducing the five printed figures.
H3_READING = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
H3_CORRECTION = -np.array(
    [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
)


def _line(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x])


def test_norris_certified_values() -> None:
    found = least_squares(_line(NORRIS[:, 1]), NORRIS[:, 0])
    assert found.value[0] == pytest.approx(-0.262323073774029, rel=1e-11)
    assert found.value[1] == pytest.approx(1.00211681802045, rel=1e-13)
    assert found.u[0] == pytest.approx(0.232818234301152, rel=1e-11)
    assert found.u[1] == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert found.sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert found.dof == 34


def test_gum_h3_calibration_line() -> None:
    found = least_squares(_line(H3_READING - 20), H3_CORRECTION)
    assert found.value == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert found.u[0] == pytest.approx(0.0029, abs=5e-5)
    assert found.u[1] == pytest.approx(0.00067, abs=5e-6)
    r = found.covariance[0, 1] / (found.u[0] * found.u[1])
    assert r == pytest.approx(-0.930, abs=5e-4)
    at_30 = np.array([1.0, 10.0])  # predicted correction at 30 degC: −0.1494, u 0.0041
    assert at_30 @ found.value == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ found.covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)


def test_weights_of_two_count_like_repeated_rows() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.5])
    y = np.array([0.1, 0.9, 2.3, 3.4])
    weighted = least_squares(_line(x), y, np.array([1.0, 2.0, 1.0, 1.0]))
    repeated = least_squares(_line(x[[0, 1, 1, 2, 3]]), y[[0, 1, 1, 2, 3]])
    assert weighted.value == pytest.approx(repeated.value, rel=1e-12)


@pytest.mark.parametrize("x", [np.ones(5), np.array([1.0])])
def test_undetermined_line_is_refused(x: np.ndarray) -> None:
    with pytest.raises(UsageError, match="do not determine"):
        least_squares(_line(x), np.zeros(len(x)))


def test_clustered_covariance_knows_that_groups_err_together() -> None:
    """400 simulated lines whose errors are shared by ten rows: spread against estimate."""
    rng = np.random.default_rng(3)
    x = np.linspace(-1, 1, 400)
    group = np.arange(400) // 10
    design, ones = _line(x), np.ones(400)
    slopes, plain, grouped = [], [], []
    for _ in range(400):
        noise = np.repeat(rng.standard_normal(40), 10) + 0.3 * rng.standard_normal(400)
        found = least_squares(design, noise)
        slopes.append(found.value[1])
        plain.append(found.covariance[1, 1])
        grouped.append(clustered_covariance(found, design, ones, group)[1, 1])
    spread = np.var(slopes)
    assert np.mean(grouped) == pytest.approx(spread, rel=0.15)
    assert np.mean(plain) < 0.2 * spread


def test_robust_weights_drop_the_far_and_keep_the_near() -> None:
    rng = np.random.default_rng(5)
    residual = rng.standard_normal(500)
    residual[:20] += 40
    used = np.ones(500, np.bool_)
    hard = robust_weights(residual, used, 1e-9, hard=True)
    assert hard[:20].sum() == 0
    assert hard[20:].sum() == 480
    assert robust_weights(np.zeros(5), used[:5], 1e-3) == pytest.approx(np.ones(5))


def test_hull_and_nearest_point_of_a_square() -> None:
    points = np.array([[0, 0], [4, 0], [4, 4], [0, 4], [2, 2], [1, 3]], float)
    hull = convex_hull(points)
    assert sorted(hull) == [(0.0, 0.0), (0.0, 4.0), (4.0, 0.0), (4.0, 4.0)]
    asked = np.array([[2.0, 2.0], [6.0, 1.0], [-3.0, -4.0], [1.0, 9.0]])
    moved, inside = nearest_covered(asked, hull)
    assert inside.tolist() == [True, False, False, False]
    assert moved == pytest.approx(np.array([[2, 2], [4, 1], [0, 0], [1, 4]], float))


def test_points_on_a_line_have_no_hull() -> None:
    assert convex_hull(np.array([[0, 0], [1, 1], [2, 2], [3, 3]], float)) == ()


def test_chebyshev_products_are_numpys() -> None:
    points = np.array([[3.0, 7.0], [10.0, 1.0]])
    got = chebyshev(points, (5.0, 4.0), (5.0, 4.0), [(0, 0), (2, 0), (1, 3)])
    for row, (x, y) in zip(got, (points - [5, 4]) / [5, 4], strict=True):
        t3 = np.polynomial.chebyshev.chebval(y, [0, 0, 0, 1])
        assert row == pytest.approx([1.0, 2 * x * x - 1, x * t3])


def test_map_outside_holds_what_it_had_at_the_border() -> None:
    square = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
    rest = PixelMap((5.0, 5.0), (5.0, 5.0), ((2, 0),), (3.0,), (-1.0,), square)
    border, outside = rest(np.array([[10.0, 5.0], [400.0, 5.0]]))
    assert outside == pytest.approx(border)
    assert rest.covers(np.array([[5.0, 5.0], [400.0, 5.0]])).tolist() == [True, False]


def test_map_goes_on_by_slope_and_bend_as_far_as_its_margin() -> None:
    square = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
    rest = PixelMap((5.0, 5.0), (5.0, 5.0), ((2, 0),), (3.0,), (-1.0,), square, margin_px=4.0)
    asked = np.array([[12.0, 5.0], [14.0, 5.0], [400.0, 5.0]])
    t2 = 2 * ((asked[:, 0] - 5) / 5) ** 2 - 1  # a parabola is continued exactly
    t2[2] = t2[1]
    assert rest(asked) == pytest.approx(np.stack([3 * t2, -t2], axis=1))


def _marks(count: int, turn_deg: float, scale: tuple[float, float], noise: float) -> Observations:
    """Marks of a square lattice of pitch 500 um, exactly placed in px but for noise."""
    i, j = (g.ravel().astype(float) for g in np.meshgrid(np.arange(count), np.arange(count)))
    index = np.stack([i, j], axis=1)
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    place = ((index - (count - 1) / 2) * 500.0) @ turn.T / scale + 300.0
    place += noise * np.random.default_rng(8).standard_normal(place.shape)
    both = np.repeat(place, 2, axis=0)
    axis = np.tile([0, 1], len(place))
    return Observations(both, both, np.repeat(index, 2, axis=0), axis, np.arange(len(axis)) // 2)


def test_a_straight_map_is_found_exactly() -> None:
    fit = fit_map([_marks(12, 7.0, (20.0, 21.0), 0.0)], 500.0, (300.0, 300.0))
    assert fit.straight
    assert np.abs(fit.residual).max() < 1e-6
    assert Straight.of(fit).figures == pytest.approx((20.0, 21.0, 0.0), abs=1e-9)


def test_quarter_turns_renumber_the_same_artefact() -> None:
    marks = _marks(5, 10.0, (20.0, 20.0), 0.0)
    once = marks.turned(1)
    assert once.turned(3).index == pytest.approx(marks.index)
    assert (once.turned(3).axis == marks.axis).all()
    assert once.index[:, 0] == pytest.approx(marks.index[:, 1])


def test_a_few_wild_marks_do_not_move_the_map() -> None:
    marks = _marks(12, 3.0, (20.0, 20.0), 0.01)
    clean = fit_map([marks], 500.0, (300.0, 300.0))
    marks.first[:10] += 3.0  # the second points are the same
    spoilt = fit_map([marks], 500.0, (300.0, 300.0))
    assert (spoilt.weight[:10] == 0).all()
    wanted = Straight.of(clean).figures
    assert Straight.of(spoilt).figures == pytest.approx(wanted, rel=2e-5, abs=2e-5)
