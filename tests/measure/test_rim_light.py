"""The sign of a wide lamp on drawn flat wires, which reflect nothing: there must be none."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from sieve_inspect.illumination.model import NOT_STATED, Illumination
from sieve_inspect.illumination.rim_light import sign_weight
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Optics, Sensor, render


# A pitch of 22.4 px at 1.3 degrees: from row to row the grid of pixels drifts by half a pixel, and
# with it whatever depends on where pixels lie alternates as the sign does.
@pytest.mark.parametrize("rotation_deg", [1.3, 91.3])
def test_pixels_that_drift_by_half_a_pixel_a_row_leave_no_sign(rotation_deg: float) -> None:
    cloth = Cloth(14.0, 8.4, sd_px=0.3, rotation_deg=rotation_deg, seed=5)
    optics = Optics("gaussian", 0.7)
    picture = render(cloth, optics=optics, sensor=Sensor(noise=0.002, seed=5), shape=(300, 360))
    measurement = measure_array(picture.image, nominal_um=75, um_per_px=75 / 14, encoding="srgb")
    assert measurement.fit == "ok"
    signs = measurement.pictures[0].signs
    assert signs is not None
    assert max(sign.share for sign in signs) < 0.0005
    assert max(sign.u_share for sign in signs) < 0.0002


def test_denser_cloth_shows_more_of_the_same_lamp() -> None:
    # Wires lean by β, tan β = π/2 · wire/pitch, and show 1/cos²β of the light of a level one.
    lamp = Illumination.stated(30)
    thin, dense = lamp.for_cloth(0.3), lamp.for_cloth(0.42)
    more = (1 + (0.21 * math.pi) ** 2) / (1 + (0.15 * math.pi) ** 2)
    assert dense.glow[0] / thin.glow[0] == pytest.approx(more)
    assert thin.for_cloth(0.42).glow == pytest.approx(dense.glow)
    assert NOT_STATED.for_cloth(0.3) == NOT_STATED
    of_any_cloth = replace(lamp, density=None)  # a file of before densities were kept
    assert of_any_cloth.for_cloth(0.3) == of_any_cloth


def test_the_sign_of_thin_wires_stands_for_more_light() -> None:
    # Path-traced steel at 45 and 43 degrees: light over sign is 5.3/0.44 where wires take 0.308 of
    # the pitch, 5.8/1.61 at 0.416; U is twice what a sign of usual cloth leaves, 3.5 times itself.
    assert sign_weight(0.4) == 1
    assert 2 * 3.5 * sign_weight(0.308) > 5.3 / 0.44
    assert sign_weight(0.08) == sign_weight(0.26) < 5  # cloth of 63 mm: nothing thinner was traced
