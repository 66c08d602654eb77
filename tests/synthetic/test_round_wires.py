"""Drawn round wires against the closed bound of a mirror cylinder and against traced light.

The traced pictures come from a general path tracer that shares nothing with this drawing; they lie
beside a checkout and the tests that read them are skipped where they are absent.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from sieve_inspect.errors import UsageError
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import scale_from_text
from sieve_inspect.synthetic import Cloth, Damage, Lamp, Optics, RoundLight, Sensor, Surface, render
from sieve_inspect.synthetic.reflection import BLACK, BRONZE, MATT, MIRROR, ROUGH, STEEL, WireLight

TRACED = Path(__file__).parents[3] / "shared" / "pathtraced"
traced_only = pytest.mark.skipif(not TRACED.is_dir(), reason="no traced pictures beside this tree")

SURFACES = {"Cr": STEEL.reflectance, "Cu": BRONZE.reflectance}


@pytest.mark.parametrize("half_angle", [10, 20, 30, 45, 60, 70])
def test_a_level_mirror_looks_thinner_by_one_less_the_cosine_of_half_the_angle(
    half_angle: int,
) -> None:
    # A ray at θ to the normal is turned by 180° − 2θ: seen from θ = 90° − b/2 on, x/r = cos(b/2).
    light = WireLight(Lamp((half_angle, half_angle)), MIRROR, (1.0, 0.0))
    bound = 1 - math.cos(math.radians(half_angle) / 2)
    assert light.glow() == pytest.approx(bound, rel=0.02, abs=1e-4)


@pytest.mark.parametrize("surface", [STEEL, BRONZE, ROUGH, MATT, BLACK])
def test_no_other_surface_shines_more_than_a_mirror(surface: Surface) -> None:
    lamp = Lamp((60, 60))
    for slope in (0.0, 0.3, 0.6):
        mirror = WireLight(lamp, MIRROR, (1.0, 0.0)).glow(slope)
        assert 0 <= WireLight(lamp, surface, (1.0, 0.0)).glow(slope) < mirror
    assert WireLight(lamp, BLACK, (1.0, 0.0)).glow() == 0


def test_a_strip_lamp_shows_on_the_sides_of_one_family_alone() -> None:
    lamp = Lamp((50, 5))
    across_x, across_y = (WireLight(lamp, STEEL, e) for e in ((1.0, 0.0), (0.0, 1.0)))
    assert across_x.glow() > 0.02
    assert across_y.glow() < 0.001


def measured(
    image: np.ndarray[Any, Any], folder: Path, um_per_px: str, nominal_um: float = 80.0
) -> Measurement:
    file = folder / "drawn.png"
    Image.fromarray(image).save(file)
    return measure([file], nominal_um=nominal_um, scale=scale_from_text(um_per_px), encoding="srgb")


def test_black_round_wires_measure_as_wide_as_they_are(tmp_path: Path) -> None:
    cloth = Cloth(15.1, 10.6, sd_px=0.2, rotation_deg=5, seed=3)
    light = RoundLight(Lamp((50, 50)), BLACK)
    drawn = render(cloth, Optics(size_px=0.8), Sensor(noise=0.004), (300, 300), light=light)
    x, y = measured(drawn.image, tmp_path, "5.29").directions
    sound = drawn.truth.sound
    assert x.mean_um / 5.29 == pytest.approx(drawn.truth.width_x_px[sound].mean(), abs=0.02)
    assert y.mean_um / 5.29 == pytest.approx(drawn.truth.width_y_px[sound].mean(), abs=0.02)


@traced_only
@pytest.mark.parametrize(
    "name",
    [
        "steel_22",
        "strip_48_6",
        *(
            pytest.param(name, marks=pytest.mark.long)
            for name in ("steel_10", "steel_60", "bronze_30", "rough_40", "view_13")
        ),
    ],
)
def test_wires_look_thinner_as_in_traced_light(name: str, tmp_path: Path) -> None:
    truth = json.loads((TRACED / f"{name}.json").read_text())
    um_per_px, wire_um = truth["um_per_px"], truth["wire_um"]
    step = um_per_px[1]
    traced = measure(
        [TRACED / f"{name}.png"],
        nominal_um=truth["nominal_um"],
        scale=scale_from_text(f"{um_per_px[0]},{um_per_px[1]}"),
        encoding=truth["encoding"],
    )
    metal = SURFACES.get(truth["wires"])
    surface = BLACK if metal is None else Surface(truth["roughness"], metal)
    lamp = Lamp(tuple(truth["light_half_angle_deg"]), tuple(truth["view_deg"]))
    drawn = render(
        Cloth(
            truth["nominal_um"] / step,
            wire_um / step,
            sd_px=1 / step,
            rotation_deg=truth["angle_deg"],
            seed=5,
        ),
        Optics(size_px=truth["blur_px"]),
        Sensor(noise=0.004, shot=0.008),
        (384, 384),
        light=RoundLight(lamp, surface),
    )
    ours = measured(drawn.image, tmp_path, str(step), truth["nominal_um"])
    for here, there in zip(ours.directions, traced.directions, strict=True):
        gain, expected = (1 - d.wire_mean_um / wire_um for d in (here, there))
        assert gain == pytest.approx(expected, rel=0.25, abs=0.002)


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(UsageError, match="half-angle"):
        Lamp((90, 10))
    with pytest.raises(UsageError, match="roughness"):
        Surface(0.0)
    with pytest.raises(UsageError, match="without damage"):
        render(Cloth(15, 10, damage=Damage(blocked=1)), light=RoundLight(Lamp((10, 10))))
