"""Encodings of stored numbers: the tags of the formats, and the curve of the standard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageCms

from sieve_inspect.errors import UsageError
from sieve_inspect.image import (
    assumed_encoding,
    linear_light,
    linear_to_srgb,
    load_scan,
    srgb_to_linear,
)
from sieve_inspect.image.encoding import Assumption
from sieve_inspect.synthetic import Cloth, Render, render, save, srgb_encode

GREY = np.arange(256, dtype=np.uint8).reshape(16, 16)
GREY16 = np.linspace(0, 65535, 256).astype(np.uint16).reshape(16, 16)


def write(
    image: npt.NDArray[np.uint8] | npt.NDArray[np.uint16], path: Path, **options: Any
) -> None:
    truth = render(Cloth(14.0, 9.0), shape=(40, 40)).truth  # nothing of it is written
    save(Render(image, truth), path, **options)


def assumed(path: Path, wanted: str = "auto") -> Assumption:
    return assumed_encoding(load_scan(path), wanted)


@pytest.mark.parametrize(
    ("stored", "light"),
    # IEC 61966-2-1: linear foot below 0.04045, then ((v + 0.055)/1.055)^2.4. The values for 8 bit
    # 10, 55, 128, 188 and 255 are worked out from the printed formula by hand (mpmath, 6 digits).
    [(0, 0.0), (10, 0.003035), (55, 0.038204), (128, 0.215861), (188, 0.502886), (255, 1.0)],
)
def test_the_curve_of_the_standard(stored: int, light: float) -> None:
    assert float(srgb_to_linear(np.array(stored / 255))) == pytest.approx(light, abs=2e-6)


def test_the_curve_and_its_inverse() -> None:
    level = np.linspace(0, 1, 4001)
    np.testing.assert_allclose(srgb_to_linear(linear_to_srgb(level)), level, atol=1e-6)
    np.testing.assert_allclose(linear_to_srgb(level), srgb_encode(level), atol=1e-6)
    assert (np.diff(srgb_to_linear(level)) > 0).all()


@pytest.mark.parametrize(
    ("gamma", "encoding"), [(1.0, "linear"), (0.45455, "srgb"), (0.55556, "gamma 1.80")]
)
def test_the_gamma_chunk_of_png(tmp_path: Path, gamma: float, encoding: str) -> None:
    write(GREY, tmp_path / "a.png", gamma=gamma)
    assumption = assumed(tmp_path / "a.png")
    assert assumption.encoding == encoding
    assert not assumption.guess
    assert "gamma" in assumption.reason


def test_the_srgb_chunk_goes_before_the_gamma_chunk(tmp_path: Path) -> None:
    """PNG (W3C, 11.3.2.5): where both stand, the sRGB chunk overrides."""
    write(GREY, tmp_path / "a.png", srgb_chunk=True, gamma=1.0)
    assert assumed(tmp_path / "a.png").encoding == "srgb"


def test_the_colour_space_of_exif(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = 1  # ColorSpace sRGB (Exif 2.3)
    Image.fromarray(GREY).save(tmp_path / "a.jpg", exif=exif)
    assumption = assumed(tmp_path / "a.jpg")
    assert assumption.encoding == "srgb"
    assert not assumption.guess


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
def test_the_srgb_profile(tmp_path: Path, name: str) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Image.fromarray(np.stack([GREY] * 3, axis=2)).save(tmp_path / name, icc_profile=profile)
    assumption = assumed(tmp_path / name)
    assert assumption.encoding == "srgb"
    assert not assumption.guess


@pytest.mark.parametrize(("image", "encoding"), [(GREY, "srgb"), (GREY16, "linear")])
def test_without_tags_the_depth_is_a_guess(
    tmp_path: Path, image: npt.NDArray[np.uint16] | npt.NDArray[np.uint8], encoding: str
) -> None:
    write(image, tmp_path / "a.tif")
    assumption = assumed(tmp_path / "a.tif")
    assert assumption.encoding == encoding
    assert assumption.guess
    assert assumption.alternative != encoding


@pytest.mark.parametrize("wanted", ["srgb", "linear"])
def test_a_given_encoding_overrides_the_tags(tmp_path: Path, wanted: str) -> None:
    write(GREY, tmp_path / "a.png", srgb_chunk=True)
    assert assumed(tmp_path / "a.png", wanted).encoding == wanted


def test_an_unknown_encoding_is_refused(tmp_path: Path) -> None:
    write(GREY, tmp_path / "a.png")
    with pytest.raises(UsageError, match="auto, srgb or linear"):
        assumed(tmp_path / "a.png", "adobe")


def test_light_of_both_depths(tmp_path: Path) -> None:
    write(GREY, tmp_path / "a.png")
    write(GREY16, tmp_path / "b.png")
    for name in ("a.png", "b.png"):
        scan = load_scan(tmp_path / name)
        top = (1 << scan.bits) - 1
        np.testing.assert_allclose(linear_light(scan, "linear"), scan.raw / top, atol=1e-6)
        np.testing.assert_allclose(
            linear_light(scan, "srgb"), srgb_to_linear(scan.raw / top), atol=1e-6
        )


def test_colours_are_averaged_as_light_not_as_stored(tmp_path: Path) -> None:
    colour = np.stack([GREY, np.zeros_like(GREY), np.full_like(GREY, 255)], axis=2)
    write(colour, tmp_path / "a.png")
    light = linear_light(load_scan(tmp_path / "a.png"), "srgb")
    expected = (srgb_to_linear(GREY / 255) + 0 + 1) / 3
    np.testing.assert_allclose(light, expected, atol=1e-6)
