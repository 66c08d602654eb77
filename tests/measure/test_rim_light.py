"""The signs of a wide lamp: none on drawn flat wires, which reflect nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

import sieve_inspect as si
from sieve_inspect.illumination.model import NOT_STATED, Illumination
from sieve_inspect.illumination.rim_light import sign_weight
from sieve_inspect.measurement.lighting import correct_light
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.measurement.reference_cloth import CertifiedCloth, of_reference
from sieve_inspect.scale import exact_scale
from sieve_inspect.synthetic import Cloth, Lamp, Optics, RoundLight, Sensor, render
from sieve_inspect.synthetic.reflection import ROUGH, Surface
from sieve_inspect.validation.comparison import compare


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


# Blur of any shape takes from the openings what it puts on the wires; a lit rim only adds.
@pytest.mark.parametrize(
    "optics",
    [
        Optics("gaussian", 1.6),
        Optics("disc", 2.0),
        Optics("smear", 1.5),
        Optics("glare", 8.0, 0.1),
        Optics("halo", 1.5, 0.3),
    ],
    ids=lambda optics: optics.kind,
)
def test_blur_of_any_shape_is_no_light_on_the_wires(optics: Optics) -> None:
    cloth = Cloth(14.0, 8.4, sd_px=0.3, rotation_deg=8, seed=3)
    picture = render(cloth, optics, Sensor(noise=0.005, seed=1), (240, 280))
    measurement = measure_array(
        picture.image, nominal_um=140, scale=exact_scale(10, 10), encoding="srgb"
    )
    signs = measurement.pictures[0].signs
    assert signs is not None
    for sign in signs:
        assert abs(sign.residual_px) < 0.0006 * sign.wire_px
        assert 0 < sign.u_residual_px < 0.0003 * sign.wire_px


def test_openings_beyond_the_range_of_the_sensor_tell_nothing_of_the_wires() -> None:
    cloth = Cloth(14.0, 8.4, sd_px=0.3, rotation_deg=8, seed=3)
    picture = render(cloth, Optics(), Sensor(noise=0.005, gain=1.3, seed=1), (240, 280))
    measurement = measure_array(
        picture.image, nominal_um=140, scale=exact_scale(10, 10), encoding="srgb"
    )
    signs = measurement.pictures[0].signs
    assert signs is not None
    assert [sign.sign_by_residual for sign in signs] == [0, 0]


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


def test_a_cloth_turned_beside_the_reference_is_known_less_well() -> None:
    lamp = replace(Illumination.stated(30), turn_deg=4.0)
    turned = lamp.for_turn(38)
    # Path-traced at 30 degrees beside 7, a square lamp: silver 1.36, steel 1.45; a round lamp: 1.
    for factor in (1.0, 1.36, 1.45):
        assert abs(factor * lamp.glow[0] - turned.glow[0]) < 2 * turned.u_glow[0]
    assert turned.for_turn(4).glow[0] < turned.glow[0]
    assert lamp.for_turn(4).u_glow == pytest.approx(lamp.u_glow)
    assert NOT_STATED.for_turn(38) == NOT_STATED
    # A strip lamp of 30 by 5 degrees: turned by 40 degrees its directions mix.
    strip = replace(Illumination.stated((30, 5)), turn_deg=0.0).for_turn(40)
    assert 2 * strip.u_glow[1] > (strip.glow[0] - strip.glow[1]) / 2


def test_more_blur_is_read_between_what_the_reference_cloth_showed() -> None:
    lamp = replace(
        Illumination.stated(30), glow=(0.02, 0.03), blur=0.1, softened=((0.2, 0.03, 0.05),)
    )
    assert lamp.under_blur(0.05) == lamp
    assert lamp.under_blur(0.15).glow == pytest.approx((0.025, 0.04))
    beyond = lamp.under_blur(0.4)
    assert beyond.glow == pytest.approx((0.03, 0.05))
    assert beyond.u_glow[1] > lamp.u_glow[1]
    assert Illumination.from_dict(lamp.to_dict()) == replace(lamp, line_um=None)
    assert lamp.under_less_blur((0.01, 0.0)).glow == pytest.approx((0.02 - 0.01 * 0.98, 0.03))
    assert lamp.under_less_blur(None).u_glow[1] > lamp.u_glow[1]


@pytest.mark.parametrize(
    "wrong", [{"blur": None}, {"blur": 0.3}, {"blur": -1.0}, {"turn_deg": 60.0}]
)
def test_an_impossible_reference_is_refused(wrong: dict[str, float | None]) -> None:
    lamp = replace(Illumination.stated(30), blur=0.1, softened=((0.2, 0.03, 0.05),))
    with pytest.raises(ValueError, match=r"ha(ve|s) to (rise|lie)"):
        Illumination.from_dict(lamp.to_dict() | wrong)


def drawn(
    aperture_px: float, wire: float = 0.5, surface: Surface = ROUGH, lamp_deg: float = 45
) -> tuple[si.Measurement, float]:
    """Round wires under a lamp, and the true mean aperture, 1 px = 10 um."""
    cloth = Cloth(aperture_px, wire * aperture_px, sd_px=0.0, rotation_deg=9, seed=3)
    shape = (max(150, int(8.4 * aperture_px)), max(170, int(10 * aperture_px)))
    light = RoundLight(Lamp((lamp_deg, lamp_deg)), surface)
    picture = render(cloth, Optics(size_px=0.7), Sensor(noise=0.003, seed=3), shape, light=light)
    plain = measure_array(
        picture.image, nominal_um=10 * aperture_px, scale=exact_scale(10, 10), encoding="srgb"
    )
    return plain, 10 * float(compare(plain, picture.truth).width.mean())


# The same lamp makes wires of 6 px at a blur of 0.7 px look 0.5 % of a wire thinner than wires of
# 20 px: a scan blurred by calculation shows it, whichever of the two is the reference.
@pytest.mark.long
def test_scans_of_unlike_blur_are_compared_under_the_same() -> None:
    fine, coarse = drawn(13.0), drawn(40.0)
    for (reference, certified), (scan, true) in ((fine, coarse), (coarse, fine)):
        lamp = of_reference(reference, CertifiedCloth((certified,) * 2, None, 0.1), "drawn")
        pictures, correction, _ = correct_light(scan.pictures, exact_scale(10, 10), lamp)
        wire_um = 0.5 * true
        for axis in (0, 1):
            sample = pictures[0].samples[axis]
            error = float(sample.width[sample.ok].mean()) - true
            assert abs(error) < min(0.0025 * wire_um + 0.1, 2 * correction.u_um[axis])
        unblurred, _, _ = correct_light(
            scan.pictures, exact_scale(10, 10), replace(lamp, blur=None, softened=())
        )
        plain = unblurred[0].samples[0]
        assert abs(float(plain.width[plain.ok].mean()) - true) > 0.0035 * wire_um


# Smooth wires of 0.4 of the aperture look 5 % thinner, and Δ is a tenth of a percent: e tells them,
# and they serve as a reference.
@pytest.mark.long
def test_thin_smooth_wires_tell_a_wide_lamp_by_the_light_that_blur_does_not_bring() -> None:
    measurement, true = drawn(16.0, 0.4, Surface(roughness=0.07), 42)
    for axis in measurement.directions:
        assert 0.04 * 0.4 * true < axis.mean_um - true < axis.U_mean_um
    lamp = of_reference(measurement, CertifiedCloth((true, true), None, 0.1), "drawn")
    assert min(lamp.glow) > 0.04
    assert lamp.sign is not None
    assert lamp.sign < 0.002


def test_the_sign_of_thin_wires_stands_for_more_light() -> None:
    # Path-traced steel at 45 and 43 degrees: light over sign is 5.3/0.44 where wires take 0.308 of
    # the pitch, 5.8/1.61 at 0.416; U is twice what a sign of usual cloth leaves, 3.5 times itself.
    assert sign_weight(0.4) == 1
    assert 2 * 3.5 * sign_weight(0.308) > 5.3 / 0.44
    assert sign_weight(0.08) == sign_weight(0.26) < 5  # cloth of 63 mm: nothing thinner was traced
