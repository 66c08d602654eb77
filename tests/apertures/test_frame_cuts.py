"""A dark frame whose edge runs along the wires for a few openings leaves none of them ok."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Optics, Ring, Sensor, render
from weave_draw import errors, openings


@pytest.mark.parametrize("edge_px", [252.0, 256.0])
def test_openings_cut_by_the_frame_are_not_measured(edge_px: float) -> None:
    ring = Ring(600, width_px=200, level=0.03, surround=0.02, centre_px=(edge_px - 600, 140))
    cloth = Cloth(14.0, 8.4, sd_px=0.3, rotation_deg=0.5, seed=4, ring=ring)
    optics, sensor = Optics("gaussian", 0.8), Sensor(noise=0.01, seed=4)
    picture = render(cloth, optics=optics, sensor=sensor, shape=(300, 300))
    seen = openings(measure_array(picture.image, nominal_um=140, um_per_px=10.0, encoding="srgb"))
    off = np.abs(errors(picture.truth, seen))
    assert len(off) > 115  # of 125 that show
    assert off.max() < 0.15
