"""From 3 × 3 openings on a picture is measured; fewer are refused in one sentence."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_inspect.errors import RefusedImageError
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Ring, Sensor, Truth, render

PITCH = 66.0
APERTURE = PITCH * 63 / 68.6  # cloth of 63 mm with wires of 5.6 mm (ISO 3310-1)


def drawn(
    side: int, shift: float, turn: float, ring: Ring | None = None
) -> tuple[Truth, Measurement]:
    """Cloth of 63 mm, shifted by a share of the pitch and turned by degrees, and its figures."""
    cloth = Cloth(
        APERTURE,
        PITCH - APERTURE,
        sd_px=0.4,
        rotation_deg=turn,
        offset_px=(shift * PITCH, shift * PITCH),
        ring=ring,
        seed=3,
    )
    picture = render(cloth, sensor=Sensor(noise=0.006, seed=3), shape=(side, side))
    um_per_px = 63_000 / APERTURE
    measurement = measure_array(
        picture.image, nominal_um=63_000, um_per_px=um_per_px, encoding="srgb"
    )
    return picture.truth, measurement


def check_means(truth: Truth, measurement: Measurement) -> None:
    """The mean of the apertures measured is right within 0.05 px, and U is that of few gaps."""
    um_per_px = 63_000 / APERTURE
    for direction, true in zip(measurement.directions, truth.widths(1.0, 1.0), strict=True):
        off = direction.mean_um / um_per_px - true[truth.complete].mean()
        assert abs(off) < 0.05
        assert np.isfinite(direction.U_mean_um)
    assert measurement.count("blocked", "torn") == 0


@pytest.mark.parametrize("turn", [0.0, 4.0])
def test_three_by_three_openings_are_measured(turn: float) -> None:
    truth, measurement = drawn(int(3.45 * PITCH), 0.5, turn)
    assert measurement.count("ok") == truth.complete.sum() == 9
    check_means(truth, measurement)
    # Three gaps leave two degrees of freedom: their part of U comes with a factor of 4.53 (JCGM
    # 100, table G.2), and k of the whole budget lies above that of many gaps.
    (of_gaps,) = (c for c in measurement.budget if (c.name, c.direction) == ("sampling", "x"))
    assert of_gaps.dof == 2
    assert measurement.directions[0].k_mean > 2.3


@pytest.mark.parametrize(("level", "surround"), [(0.1, 0.8), (0.8, 0.3), (0.3, 0.1)])
def test_all_of_a_sieve_of_five_openings_is_measured(level: float, surround: float) -> None:
    radius = 1.85 * PITCH
    ring = Ring(radius, 0.06 * radius, level, surround)
    truth, measurement = drawn(int(2.15 * radius), 0.5, 4.0, ring)
    assert measurement.count("ok") == truth.complete.sum() == 5
    check_means(truth, measurement)
    assert measurement.directions[0].population == 5


@pytest.mark.parametrize("turn", [0.0, 15.0])
def test_fewer_are_refused(turn: float) -> None:
    with pytest.raises(RefusedImageError, match=r"only \d complete openings"):
        drawn(int(3.3 * PITCH), 0.0, turn)
