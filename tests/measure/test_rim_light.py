"""The sign of a wide lamp on drawn flat wires, which reflect nothing: there must be none."""

from __future__ import annotations

import pytest

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
