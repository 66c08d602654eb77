"""Encoding, noise, quantising and files, against published values and other libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from skimage import color

from sieve_inspect.errors import UnwritableOutputError, UsageError
from sieve_inspect.synthetic import (
    Cloth,
    Light,
    Optics,
    Render,
    Sensor,
    render,
    render_light,
    save,
    srgb_encode,
)
from sieve_inspect.synthetic.sensor import expose

CLOTH = Cloth(14.0, 9.0, sd_px=0.3, rotation_deg=4)


def test_srgb_curve_at_published_points() -> None:
    # IEC 61966-2-1: the pieces meet at 0.0031308 / 0.04045; 18 % grey is code 118 of 255,
    # 21.4 % is half the code range.
    levels = np.array([0.0, 0.0031308, 0.18, 0.21404114, 1.0, -0.1, 1.2])
    codes = srgb_encode(levels)
    np.testing.assert_allclose(codes[[0, 1, 3, 4, 5, 6]], [0, 0.04045, 0.5, 1, 0, 1], atol=1e-5)
    assert round(255 * codes[2]) == 118


def test_srgb_curve_against_scikit_image() -> None:
    levels = np.linspace(0, 1, 401)
    codes = srgb_encode(levels)
    grey = np.repeat(codes[None, :, None], 3, axis=2)
    luminance = color.rgb2xyz(grey)[0, :, 1]  # Y of a grey is its linear level
    np.testing.assert_allclose(luminance, levels, atol=2e-5)


@pytest.mark.parametrize(("bits", "top"), [(8, 255), (16, 65535)])
def test_quantising_rounds_and_clips(bits: int, top: int) -> None:
    light = np.array([[-0.2, 0.0, 0.4999 / top, 0.5001 / top, 0.5, 1.0, 1.7]])
    stored = expose(light, Sensor(bits=bits, encoding="linear"))
    np.testing.assert_array_equal(stored, [[0, 0, 0, 1, round(0.5 * top + 1e-9), top, top]])
    assert stored.dtype == (np.uint8 if bits == 8 else np.uint16)


def test_noise_has_the_given_spread() -> None:
    light = np.repeat([0.2, 0.6], 40_000).reshape(2, -1)
    stored = expose(light, Sensor(noise=0.01, shot=0.02, bits=16, encoding="linear", seed=4))
    spread = (stored / 65535).std(axis=1)
    expected = np.sqrt(0.01**2 + 0.02**2 * np.array([0.2, 0.6]))
    np.testing.assert_allclose(spread, expected, rtol=0.015)  # 1/√80,000 = 0.35 %, 4 of them
    np.testing.assert_allclose((stored / 65535).mean(axis=1), [0.2, 0.6], atol=4e-4)


def test_noise_is_added_to_linear_light_before_the_curve() -> None:
    light = np.full((200, 200), 0.05)
    stored = expose(light, Sensor(noise=0.005, bits=16, encoding="srgb"))
    slope = 1.055 / 2.4 * 0.05 ** (1 / 2.4 - 1)
    assert (stored / 65535).std() == pytest.approx(0.005 * slope, rel=0.03)


def test_the_same_call_gives_the_same_picture() -> None:
    sensor = Sensor(noise=0.02, seed=9)
    first = render(CLOTH, Optics(), sensor, (120, 140))
    again = render(CLOTH, Optics(), sensor, (120, 140))
    other = render(CLOTH, Optics(), Sensor(noise=0.02, seed=10), (120, 140))
    np.testing.assert_array_equal(first.image, again.image)
    np.testing.assert_array_equal(first.truth.width_x_px, again.truth.width_x_px)
    assert (first.image != other.image).mean() > 0.5
    np.testing.assert_array_equal(first.truth.width_x_px, other.truth.width_x_px)


def test_optics_and_sensor_do_not_change_the_cloth() -> None:
    one = render(CLOTH, Optics("none"), None, (120, 140)).truth
    two = render(CLOTH, Optics("glare", 9.0, 0.4), Sensor(channels=3), (120, 140)).truth
    np.testing.assert_array_equal(one.x_px, two.x_px)
    np.testing.assert_array_equal(one.width_y_px, two.width_y_px)


def test_gain_saturates() -> None:
    picture = render(CLOTH, Optics(), Sensor(gain=2.0, encoding="linear"), (80, 80)).image
    assert (picture == 255).mean() > 0.2
    assert picture.min() == pytest.approx(2 * 0.05 * 255, abs=2)


@pytest.mark.parametrize(
    ("name", "sensor"),
    [
        ("a.png", Sensor()),
        ("a.png", Sensor(bits=16)),
        ("a.png", Sensor(channels=3)),
        ("a.tif", Sensor(bits=16, channels=3)),
        ("a.tiff", Sensor()),
        ("a.bmp", Sensor(channels=3)),
        ("a.bmp", Sensor()),
        ("a.JPG", Sensor(jpeg_quality=85)),
        ("a.jpeg", Sensor(channels=3, jpeg_quality=60)),
    ],
)
def test_files_read_back_by_other_readers(tmp_path: Path, name: str, sensor: Sensor) -> None:
    drawn = render(CLOTH, Optics(), sensor, (90, 100))
    path = tmp_path / name
    save(drawn, path)
    if path.suffix.startswith(".tif"):
        back = tifffile.imread(path)
    else:
        with Image.open(path) as picture:
            back = np.asarray(picture)
    np.testing.assert_array_equal(back, drawn.image)


def test_png_of_16_bits_and_three_channels(tmp_path: Path) -> None:
    import cv2

    drawn = render(CLOTH, Optics(), Sensor(bits=16, channels=3), (90, 100))
    save(drawn, tmp_path / "a.png")
    back = cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)
    assert back is not None
    np.testing.assert_array_equal(back[..., ::-1], drawn.image)


def test_png_colour_chunks_only_on_request(tmp_path: Path) -> None:
    drawn = render(CLOTH, Optics(), None, (60, 60))
    save(drawn, tmp_path / "plain.png")
    save(drawn, tmp_path / "srgb.png", srgb_chunk=True)
    save(drawn, tmp_path / "gamma.png", gamma=1.0)
    info = {}
    for name in ("plain", "srgb", "gamma"):
        with Image.open(tmp_path / f"{name}.png") as picture:
            picture.load()
            info[name] = picture.info
            np.testing.assert_array_equal(np.asarray(picture), drawn.image)
    assert "gamma" not in info["plain"]
    assert "srgb" not in info["plain"]
    assert info["srgb"]["srgb"] == 0
    assert info["gamma"]["gamma"] == pytest.approx(1.0)


def test_a_jpeg_blurs_but_keeps_the_mean() -> None:
    plain = render(CLOTH, Optics(), Sensor(), (120, 120)).image.astype(float)
    drawn = render(CLOTH, Optics(), Sensor(jpeg_quality=50), (120, 120))
    assert drawn.jpeg is not None
    assert drawn.jpeg.startswith(b"\xff\xd8")
    difference = drawn.image - plain
    assert abs(difference.mean()) < 0.5
    assert 0.5 < difference.std() < 12


def test_impossible_files_are_refused(tmp_path: Path) -> None:
    deep = render(CLOTH, Optics(), Sensor(bits=16), (40, 40))
    for name in ("a.jpg", "a.bmp", "a.gif", "a"):
        with pytest.raises(UsageError):
            save(deep, tmp_path / name)
    with pytest.raises(UnwritableOutputError):
        save(deep, tmp_path / "missing" / "a.png")


def test_a_shape_too_small_is_refused() -> None:
    with pytest.raises(UsageError):
        render_light(CLOTH, Optics(), (4, 100), light=Light())


@pytest.mark.parametrize(
    "wrong",
    [
        {"bits": 12},
        {"channels": 2},
        {"encoding": "log"},
        {"noise": -1.0},
        {"gain": 0.0},
        {"jpeg_quality": 0},
        {"bits": 16, "jpeg_quality": 80},
    ],
)
def test_senseless_sensors_are_a_usage_error(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Sensor(**wrong)  # type: ignore[arg-type]


def test_render_is_frozen() -> None:
    drawn = render(CLOTH, Optics(), None, (40, 40))
    assert isinstance(drawn, Render)
    with pytest.raises(AttributeError):
        drawn.image = drawn.image  # type: ignore[misc]
