"""Functions that replace SciPy's and NumPy's, whose results they are compared with."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr as reference_ndtr
from scipy.special import stdtrit

from sieve_inspect.edges.model import SensorRange
from sieve_inspect.edges.normal import density, ndtr
from sieve_inspect.image import opencv
from sieve_inspect.measurement.grey_levels import _percentiles
from sieve_inspect.summary.student import student_quantile


def test_normal_distribution() -> None:
    z = np.linspace(-12, 12, 5001)
    assert np.abs(ndtr(z) - reference_ndtr(z)).max() < 1e-9


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_mean_of_clipped_light(kind: type[np.floating]) -> None:
    """The mean of a normal variable censored at both ends (Tobin, Econometrica 26, 1958)."""
    low, high, noise = 0.02, 0.8, 0.01
    model = np.linspace(-0.1, 1.2, 2001)
    value, slope = SensorRange(low, high, noise).apply(model.astype(kind), np.zeros(2001, kind))
    a, b = (low - model) / noise, (high - model) / noise
    below, above = reference_ndtr(a), reference_ndtr(-b)
    inside = 1 - below - above
    mean = low * below + high * above + model * inside + noise * (density(a) - density(b))
    assert np.abs(value - mean).max() < 1e-6
    assert np.abs(slope - inside).max() < 2e-5


@pytest.mark.parametrize("dof", [1, 2, 3, 10, 57, 200, 999, 1000, 54321])
def test_student_quantile(dof: int) -> None:
    for p in (0.95, 0.97725, 0.995):
        assert student_quantile(p, dof) == pytest.approx(stdtrit(dof, p), rel=1e-12)


@pytest.mark.parametrize("shape", [(8, 8), (8, 9), (9, 8), (9, 9), (683, 45), (3, 4)])
def test_amplitudes_of_a_spectrum(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(1).random(shape).astype(np.float32)
    expected = np.abs(np.fft.rfft2(picture.astype(float)))
    assert np.abs(opencv.amplitudes(picture) - expected).max() < 1e-6 * expected.max()


def test_percentiles_of_stored_numbers() -> None:
    grey = np.random.default_rng(2).integers(0, 200, (30, 41)).astype(np.uint8)
    assert _percentiles(grey, 2, 98) == pytest.approx(np.percentile(grey, (2, 98)))
