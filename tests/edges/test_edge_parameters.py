"""Columns of parameter arrays, and what is derived from them."""

from __future__ import annotations

import numpy as np

from sieve_inspect.edges.model import (
    EDGES,
    LEVELS,
    PARAMETERS,
    Parameter,
    middle_of,
    model_of,
    normal_equations,
    top_of,
    width_of,
)
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import gaussian_response

ROW = np.array([[0.05, 0.7, 0.69, 0.71, -11.0, -6.0, 8.0, 13.0]])


def test_columns_are_levels_then_edges_in_order() -> None:
    assert list(Parameter)[LEVELS] == [p for p in Parameter if "EDGE" not in p.name]
    assert list(Parameter)[EDGES] == [p for p in Parameter if "EDGE" in p.name]
    assert (np.diff(ROW[:, EDGES]) > 0).all()
    assert ROW.shape[1] == PARAMETERS


def test_width_middle_and_light_of_an_opening() -> None:
    assert width_of(ROW) == [14.0]
    assert middle_of(ROW) == [1.0]
    np.testing.assert_allclose(top_of(ROW), [0.75])


def test_derivatives_of_the_model_agree_with_differences() -> None:
    """A central difference of the model by each parameter, to the accuracy of the tables."""
    distance = np.arange(-14, 16, 0.35)[None]
    unit = np.ones_like(distance)
    profiles = Profiles(distance, unit, unit, unit, 0.35, 14.0)
    response = gaussian_response(1.0)
    jacobian = model_of(profiles, ROW, response)[1]
    for parameter in Parameter:
        step = np.zeros_like(ROW)
        step[:, parameter] = 0.05
        up, down = (model_of(profiles, ROW + s, response)[0] for s in (step, -step))
        np.testing.assert_allclose(jacobian[:, parameter], (up - down) / 0.1, atol=0.02)


def test_normal_equations_are_symmetric_and_regular_without_pixels() -> None:
    bins = np.zeros((1, 5))
    matrix, _ = normal_equations(np.zeros((1, PARAMETERS, 5)), bins, bins, ROW)
    np.testing.assert_array_equal(matrix, matrix.transpose(0, 2, 1))
    assert np.isfinite(np.linalg.inv(matrix)).all()
