"""Pictures changed or lit in ways that move edges: doubted, or in the uncertainty."""

from __future__ import annotations

import math
from typing import Literal

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from sieve_inspect.errors import RefusedImageError
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.summary.uncertainty import BudgetSource
from sieve_inspect.synthetic import Cloth, Light, Optics, Render, Sensor, render

UM_PER_PX = 5.0
CLOTH = Cloth(16.2, 10.4, sd_px=0.3, rotation_deg=3, seed=12)


def drawn(encoding: Literal["srgb", "linear"] = "srgb", open_level: float = 0.7) -> Render:
    sensor = Sensor(noise=0.008, encoding=encoding, seed=2)
    light = Light(open_level=open_level, wire_level=0.03)
    return render(CLOTH, Optics(size_px=0.8), sensor, (300, 320), light=light)


def measured(image: NDArray[np.integer], encoding: str, um_per_px: float) -> Measurement:
    return measure_array(image, nominal_um=81, um_per_px=um_per_px, encoding=encoding)


def doubts(m: Measurement) -> str:
    return "; ".join(m.pictures[0].doubts)


@pytest.mark.parametrize(("truly", "stated"), [("srgb", "linear"), ("linear", "srgb")])
def test_a_stated_encoding_that_the_edges_contradict_is_doubted(
    truly: Literal["srgb", "linear"], stated: str
) -> None:
    """The wrong curve moves each aperture by about 1 px at a blur of 0.9 px."""
    image = drawn(truly).image
    assert f"its edges fit {truly} better" in doubts(measured(image, stated, UM_PER_PX))
    assert doubts(measured(image, truly, UM_PER_PX)) == ""


@pytest.mark.parametrize("factor", [1.3, 2.0])
def test_a_scan_enlarged_by_a_program_has_that_in_its_uncertainty(factor: float) -> None:
    """Interpolated in stored numbers, apertures come out 0.1 to 0.2 px too narrow."""
    plain = drawn()
    size = tuple(round(side * factor) for side in plain.image.shape[::-1])
    larger = cv2.resize(plain.image, size, interpolation=cv2.INTER_LINEAR).astype(np.uint8)
    m = measured(larger, "srgb", UM_PER_PX / factor)
    of_x = [part for part in m.budget if part.direction == "x"]
    (line,) = (part for part in of_x if part.name == "smoothed after the scan")
    before = measured(plain.image, "srgb", UM_PER_PX)
    off = m.directions[0].mean_um - before.directions[0].mean_um
    assert -0.25 < off * factor / UM_PER_PX < -0.05
    u = math.hypot(*(part.value_um for part in of_x if part.source is BudgetSource.IMAGING))
    assert abs(off) < 2 * u
    assert line.value_um > 0
    assert all(part.name != line.name for part in before.budget)


def test_a_sharpened_scan_is_doubted() -> None:
    """Sharpened in stored numbers, apertures come out about 0.2 px too wide."""
    image = drawn().image.astype(float)
    soft = cv2.GaussianBlur(image, (0, 0), 2)
    sharp = np.clip(np.rint(image + 1.5 * (image - soft)), 0, 255).astype(np.uint8)
    assert "as after sharpening" in doubts(measured(sharp, "srgb", UM_PER_PX))


def test_stripes_and_light_stored_as_it_is_are_no_smoothing() -> None:
    image = drawn().image.astype(float)
    wave = 4 * np.sin(np.arange(image.shape[1]) / 1.3)
    striped = np.clip(np.rint(image + wave), 0, 255).astype(np.uint8)
    assert measured(striped, "srgb", UM_PER_PX).pictures[0].smoothed_px == 0
    smooth = cv2.GaussianBlur(drawn("linear").image, (0, 0), 0.7).astype(np.uint8)
    assert measured(smooth, "linear", UM_PER_PX).pictures[0].smoothed_px == 0


def test_openings_far_brighter_than_the_scan_can_hold_are_doubted() -> None:
    """1.3 times its range made apertures 0.5 px too narrow, 1.1 times nothing."""
    too_bright = measured(drawn(open_level=1.3).image, "srgb", UM_PER_PX)
    assert "brighter than the scan can hold" in doubts(too_bright)
    with pytest.raises(RefusedImageError, match="far brighter than the scan can hold"):
        measured(drawn(open_level=1.7).image, "srgb", UM_PER_PX)
    assert doubts(measured(drawn(open_level=1.1).image, "srgb", UM_PER_PX)) == ""


def test_openings_darker_than_the_wires_are_lit_from_the_wrong_side() -> None:
    """A round wire's outline is dark in light from above; flat bands, as drawn, do not show it."""
    image = render(CLOTH, sensor=Sensor(noise=0.01), shape=(300, 320), light=Light.reversed()).image
    m = measured(image, "srgb", UM_PER_PX)
    assert "light the cloth from behind" in doubts(m)
    assert m.fit == "indicative"
