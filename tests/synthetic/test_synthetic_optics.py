"""Point spreads against their textbook moments and against plain convolution in space."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal
from scipy.special import k1

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic import Cloth, Light, Optics, Sensor, render_light
from sieve_inspect.synthetic.optics import reach_px, transfer

UNIT = Light(open_level=1.0, wire_level=0.0)
KINDS = [
    Optics("gaussian", 1.3),
    Optics("disc", 2.0),
    Optics("smear", 1.5),
    Optics("glare", 6.0, share=0.3),
    Optics("halo", 1.5, share=0.6),
]


@pytest.mark.parametrize("optics", KINDS, ids=lambda o: o.kind)
def test_no_light_is_lost(optics: Optics) -> None:
    zero = np.zeros(1)
    assert transfer(optics, zero, zero)[0, 0] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("optics", "along_x", "along_y"),
    [
        # second moments per axis: Gaussian σ²; disc r²/4; exponential τ² (one axis only);
        # exp(−ρ/a) 3a², weighted by its share; unsharp mask −amount·σ²
        (Optics("gaussian", 1.3), 1.69, 1.69),
        (Optics("disc", 2.0, core_px=0.0), 1.0, 1.0),
        (Optics("smear", 1.5, core_px=0.4), 0.16, 0.16 + 2.25),
        (Optics("glare", 6.0, share=0.3, core_px=0.5), 0.25 + 0.3 * 108, 0.25 + 0.3 * 108),
        (Optics("halo", 1.5, share=0.6, core_px=0.5), 0.25 - 0.6 * 2.25, 0.25 - 0.6 * 2.25),
    ],
    ids=lambda v: v.kind if isinstance(v, Optics) else "",
)
def test_moments_from_the_curvature_at_zero(optics: Optics, along_x: float, along_y: float) -> None:
    step = 2e-4
    f, zero = np.array([-step, 0.0, step]), np.zeros(1)
    for response, expected in (
        (transfer(optics, f, zero)[0], along_x),
        (transfer(optics, zero, f)[:, 0], along_y),
    ):
        first = (response[2] - response[0]) / (2 * step) / (-2j * np.pi)
        second = -(response[2] - 2 * response[1] + response[0]) / step**2 / (2 * np.pi) ** 2
        assert abs(first) < 1e-4  # centred on its centroid
        assert second.real == pytest.approx(expected, rel=2e-3)


def _line(kind: str, size: float) -> Callable[[np.ndarray], np.ndarray]:
    if kind == "disc":  # chord of a disc
        return lambda x: 2 * np.sqrt(np.clip(size**2 - x**2, 0, None)) / (np.pi * size**2)
    if kind == "smear":
        return lambda x: np.where(x >= -size, np.exp(-(x + size) / size) / size, 0.0)
    # line integral of exp(−ρ/a)/(2πa²): |x| K1(|x|/a) / (πa²)
    return lambda x: (
        np.where(np.abs(x) < 1e-9, size, np.abs(x) * k1(np.maximum(np.abs(x), 1e-9) / size))
        / (np.pi * size**2)
    )


@pytest.mark.parametrize(
    "optics",
    [
        Optics("gaussian", 0.5),
        Optics("gaussian", 1.2),
        Optics("disc", 1.7),
        Optics("smear", 1.5),
        Optics("glare", 4.0, share=0.3),
    ],
    ids=lambda o: f"{o.kind}-{o.size_px}",
)
def test_slits_against_convolution_in_space(optics: Optics) -> None:
    # Slits 14 wide and 9 apart; every edge falls on the fine grid of 1/200 px.
    smear = optics.kind == "smear"
    cloth = (
        Cloth(600.0, 20.0, 14.0, 9.0, offset_px=(310.0, 0.0))
        if smear
        else Cloth(14.0, 9.0, 600.0, 20.0, offset_px=(0.0, 310.0))
    )
    light, _ = render_light(cloth, optics, (91, 91), light=UNIT)
    seen = light[:, 45] if smear else light[45]
    n, reach = 200, 120
    x = np.arange(-reach * n, reach * n + 1) / n
    fine = (np.abs((x + 11.5) % 23 - 11.5) > 4.5).astype(float)
    fine[np.abs(np.abs((x + 11.5) % 23 - 11.5) - 4.5) < 1e-9] = 0.5
    u = np.arange(-60 * n, 60 * n + 1) / n

    def blur(profile: np.ndarray, kernel: np.ndarray) -> np.ndarray:
        return signal.fftconvolve(profile, kernel / kernel.sum(), mode="same")

    core = optics.size_px if optics.kind == "gaussian" else optics.core_px
    pixel = np.where(np.abs(u) < 0.5, 1.0, np.where(np.abs(np.abs(u) - 0.5) < 1e-9, 0.5, 0.0))
    fine = blur(blur(fine, np.exp(-(u**2) / (2 * core**2))), pixel)
    if optics.kind != "gaussian":
        spread = blur(fine, _line(optics.kind, optics.size_px)(u))
        fine = spread if optics.share == 0 else (1 - optics.share) * fine + optics.share * spread
    expected = fine[reach * n - 45 * n : reach * n + 45 * n + 1 : n]
    # The one-sided exponential jumps, which costs the reference about 1/(2n·τ).
    assert np.abs(seen - expected).max() < (2e-3 if smear else 3e-4)


def test_halo_overshoots_beside_an_edge() -> None:
    cloth = Cloth(30.0, 30.0)
    plain, _ = render_light(cloth, Optics("gaussian", 0.5), (120, 120), light=UNIT)
    sharp, _ = render_light(
        cloth, Optics("halo", 2.0, share=0.5, core_px=0.5), (120, 120), light=UNIT
    )
    assert plain.max() < 1.001
    assert sharp.max() > 1.05
    assert sharp.min() < -0.05


def test_reversed_light_mirrors_transmitted_light() -> None:
    cloth = Cloth(14.0, 9.0, sd_px=0.3, rotation_deg=5)
    bright, _ = render_light(cloth, Optics(), (100, 100), light=Light(0.8, 0.1))
    dark, _ = render_light(cloth, Optics(), (100, 100), light=Light.reversed(0.1, 0.8))
    np.testing.assert_allclose(bright + dark, 0.9, atol=2e-6)


def test_falloff_tilt_and_stray_light() -> None:
    cloth = Cloth(14.0, 9.0)
    plain, _ = render_light(cloth, Optics(), (101, 101), light=Light(0.8, 0.1))
    lit, _ = render_light(
        cloth, Optics(), (101, 101), light=Light(0.8, 0.1, stray=0.05, falloff=0.2, tilt=0.1)
    )
    ratio = (lit - 0.05) / plain
    assert ratio[50, 50] == pytest.approx(1.0)
    assert ratio[0, 0] == pytest.approx(0.8 * 0.95)
    assert ratio[50, 100] == pytest.approx(0.9 * 1.05)


@pytest.mark.parametrize("optics", [Optics("gaussian", 1.0), Optics("none")])
def test_channels_shift_apart_around_green(optics: Optics) -> None:
    cloth = Cloth(14.0, 9.0, rotation_deg=8)
    sensor = Sensor(channels=3, channel_shift_px=(1.0, -2.0))
    light, _ = render_light(cloth, optics, (120, 120), light=UNIT, sensor=sensor)
    red, green, blue = np.moveaxis(light[10:-10, 10:-10], 2, 0)
    np.testing.assert_allclose(red[:-2, 1:], green[2:, :-1], atol=1e-5)
    np.testing.assert_allclose(blue[2:, :-1], green[:-2, 1:], atol=1e-5)


def test_reach_grows_with_the_blur() -> None:
    assert reach_px(Optics("none")) == 0
    assert reach_px(Optics("gaussian", 2.0)) == 10
    assert reach_px(Optics("glare", 6.0, share=0.2)) > 60


@pytest.mark.parametrize(
    "wrong", [{"kind": "fog"}, {"size_px": -1.0}, {"share": 1.5}, {"size_px": float("inf")}]
)
def test_senseless_optics_are_a_usage_error(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Optics(**{"kind": "glare", **wrong})  # type: ignore[arg-type]
