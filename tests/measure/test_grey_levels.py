"""Pictures of too few grey levels: refused for what they are, or doubted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from sieve_inspect.errors import RefusedImageError
from sieve_inspect.image import light as scan_light
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Light, Sensor, render

PICTURE = render(
    Cloth(14.2, 9.1, sd_px=0.4, rotation_deg=4, seed=31),
    sensor=Sensor(noise=0.01, seed=3),
    shape=(240, 300),
).image.astype(np.uint8)


def posterised(levels: int) -> NDArray[np.uint8]:
    """The picture in so many even steps from 0 to 255."""
    step = np.rint(PICTURE / 255 * (levels - 1))
    return np.rint(step / (levels - 1) * 255).astype(np.uint8)


def measured(image: NDArray[np.uint8] | NDArray[np.uint16]) -> Measurement:
    return measure_array(image, nominal_um=142, um_per_px=10.0, encoding="srgb")


@pytest.mark.parametrize("levels", [2, 4, 12])
def test_a_few_levels_are_refused_for_what_they_are(levels: int) -> None:
    with pytest.raises(RefusedImageError, match=r"only \d+ grey levels") as refused:
        measured(posterised(levels))
    assert refused.value.exit_code == 24  # the code of a picture that cannot be measured


def test_a_bit_stored_in_a_byte_is_refused() -> None:
    with pytest.raises(RefusedImageError, match="only 2 grey levels"):
        measured((PICTURE > 128).astype(np.uint8))


@pytest.mark.parametrize("quality", [60, 95])
def test_a_thresholded_picture_saved_as_jpeg_is_refused(tmp_path: Path, quality: int) -> None:
    """JPEG makes many levels of two, but no pixel on the edges takes the mean of its own square."""
    from sieve_inspect.measurement.pipeline import measure

    two = np.where(PICTURE > 128, 255, 0).astype(np.uint8)
    Image.fromarray(two).save(tmp_path / "scan.jpg", quality=quality)
    with pytest.raises(RefusedImageError, match="without a pixel between"):
        measure(tmp_path / "scan.jpg", nominal_um=142, um_per_px=10.0)


@pytest.mark.parametrize("border", [0, 255])
def test_a_border_and_a_label_laid_into_the_picture_are_no_thresholding(border: int) -> None:
    """Their edges have no pixel between dark and light; those of the cloth have."""
    scan = np.full((320, 380), border, np.uint8)
    scan[40:280, 40:340] = PICTURE
    scan[45:65, 50:150] = 255
    for framed, bare in zip(measured(scan).directions, measured(PICTURE).directions, strict=True):
        assert framed.mean_um == pytest.approx(bare.mean_um, abs=0.3)  # a few openings fewer


def test_a_palette_of_four_colours_is_refused() -> None:
    colours = np.array([[10, 20, 30], [90, 80, 70], [180, 190, 170], [240, 250, 245]], np.uint8)
    with pytest.raises(RefusedImageError, match="only 4 grey levels"):
        measured(colours[PICTURE // 64])


def test_a_large_scan_of_two_levels_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from sieve_inspect.measurement.pipeline import measure

    monkeypatch.setattr(scan_light, "HELD_UP_TO", 0)
    Image.fromarray(posterised(2)).save(tmp_path / "scan.tif")
    with pytest.raises(RefusedImageError, match="only 2 grey levels"):
        measure([tmp_path / "scan.tif"], nominal_um=142, um_per_px=10.0)


def test_a_contrast_stretched_from_a_few_dozen_levels_is_doubted() -> None:
    measurement = measured(posterised(32))
    assert measurement.fit == "indicative"
    assert "grey levels" in " ".join(measurement.fit_reasons)


def test_a_scan_of_low_contrast_has_few_levels_and_is_not_doubted() -> None:
    """A quarter of full contrast: few levels, but none is missing between them."""
    picture = render(
        Cloth(14.2, 9.1, sd_px=0.4, rotation_deg=4, seed=31),
        sensor=Sensor(noise=0.004, seed=3),
        shape=(240, 300),
        light=Light(open_level=0.45, wire_level=0.25),
    )
    assert len(np.unique(picture.image)) < 64
    assert "grey levels" not in " ".join(measured(picture.image).fit_reasons)
