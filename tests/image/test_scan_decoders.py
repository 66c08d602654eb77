"""Reading scans: all decoders give the same pixels; damage is reported, never filled in."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from present import present
from sieve_inspect.errors import (
    EmptyFileError,
    ImageTooLargeError,
    InputError,
    NotAnImageError,
    RefusedImageError,
    TruncatedImageError,
    UnreadableImageError,
)
from sieve_inspect.image import load_scan

RNG = np.random.default_rng(7)
GREY = RNG.integers(0, 256, (37, 53), np.uint8)
COLOUR = RNG.integers(0, 256, (37, 53, 3), np.uint8)
GREY16 = RNG.integers(0, 65536, (37, 53), np.uint16)
COLOUR16 = RNG.integers(0, 65536, (37, 53, 3), np.uint16)
Pixels = npt.NDArray[Any]  # (height, width) or (height, width, 3) of any depth


def with_pillow(array: Pixels, path: Path, **options: Any) -> None:
    Image.fromarray(array).save(path, **options)


def with_tifffile(array: Pixels, path: Path, **options: Any) -> None:
    photometric = "rgb" if array.ndim == 3 else "minisblack"
    tifffile.imwrite(path, array, **{"photometric": photometric, **options})


def with_opencv(array: Pixels, path: Path) -> None:
    assert cv2.imwrite(str(path), array[:, :, ::-1] if array.ndim == 3 else array)


WRITTEN: dict[str, tuple[Callable[..., None], str, dict[str, Any]]] = {
    "png-pillow": (with_pillow, "a.png", {}),
    "png-opencv": (with_opencv, "a.png", {}),
    "bmp-pillow": (with_pillow, "a.bmp", {}),
    "bmp-opencv": (with_opencv, "a.bmp", {}),
    "tiff-pillow": (with_pillow, "a.tif", {}),
    "tiff-pillow-lzw": (with_pillow, "a.tif", {"compression": "tiff_lzw"}),
    "tiff-tifffile": (with_tifffile, "a.tif", {}),
    "tiff-deflate": (with_tifffile, "a.tif", {"compression": "deflate", "predictor": 2}),
    "tiff-tiles": (with_tifffile, "a.tif", {"tile": (16, 16)}),
    "tiff-big-endian": (with_tifffile, "a.tif", {"byteorder": ">"}),
    "tiff-bigtiff": (with_tifffile, "a.tif", {"bigtiff": True}),
    "tiff-opencv": (with_opencv, "a.tif", {}),
}


@pytest.mark.parametrize("array", [GREY, COLOUR], ids=["grey", "colour"])
@pytest.mark.parametrize("way", WRITTEN)
def test_files_of_other_programs_are_read_pixel_by_pixel(
    tmp_path: Path, way: str, array: npt.NDArray[np.uint8]
) -> None:
    write, name, options = WRITTEN[way]
    write(array, tmp_path / name, **options)
    scan = load_scan(tmp_path / name)
    assert scan.bits == 8
    assert scan.shape == (37, 53)
    np.testing.assert_array_equal(scan.raw, array)


@pytest.mark.parametrize("array", [GREY16, COLOUR16], ids=["grey", "colour"])
@pytest.mark.parametrize("way", ["png-opencv", "tiff-tifffile", "tiff-opencv", "tiff-big-endian"])
def test_sixteen_bits_stay_sixteen(tmp_path: Path, way: str, array: npt.NDArray[np.uint16]) -> None:
    write, name, options = WRITTEN[way]
    write(array, tmp_path / name, **options)
    scan = load_scan(tmp_path / name)
    assert scan.bits == 16
    np.testing.assert_array_equal(scan.raw, array)


@pytest.mark.parametrize("array", [GREY, COLOUR], ids=["grey", "colour"])
def test_two_decoders_agree_on_a_jpeg(tmp_path: Path, array: npt.NDArray[np.uint8]) -> None:
    smooth = cv2.GaussianBlur(array, (0, 0), 3)
    with_pillow(smooth, tmp_path / "a.jpg", quality=90)
    raw = load_scan(tmp_path / "a.jpg").raw
    np.testing.assert_array_equal(raw, np.asarray(Image.open(tmp_path / "a.jpg")))
    other = present(cv2.imread(str(tmp_path / "a.jpg"), cv2.IMREAD_UNCHANGED))
    other = other[:, :, ::-1] if other.ndim == 3 else other
    # The inverse transform is not exact by the standard (ITU-T T.83): decoders differ by steps.
    assert np.abs(raw.astype(int) - other).max() <= 4


@pytest.mark.parametrize("mode", ["P", "RGBA", "LA"])
def test_palettes_and_alpha_become_plain_pixels(tmp_path: Path, mode: str) -> None:
    picture = Image.fromarray(COLOUR).convert("RGBA" if mode == "RGBA" else "L").convert(mode)
    picture.save(tmp_path / "a.png")
    raw = load_scan(tmp_path / "a.png").raw
    expected = np.asarray(picture.convert("RGB" if mode in ("RGBA", "P") else "L"))
    np.testing.assert_array_equal(raw, expected)


def test_a_palette_tiff_shows_its_colours(tmp_path: Path) -> None:
    """The same picture as 8 bit colour: the palette's 16 bits agree with it."""
    Image.fromarray(COLOUR).quantize(64).save(tmp_path / "a.tif")
    seen = np.asarray(Image.open(tmp_path / "a.tif").convert("RGB"))
    scan = load_scan(tmp_path / "a.tif")
    top = (1 << scan.bits) - 1
    np.testing.assert_allclose(scan.raw / top, seen / 255, atol=1 / 255)


def test_a_tiff_in_which_white_is_zero(tmp_path: Path) -> None:
    with_tifffile(GREY, tmp_path / "a.tif", photometric="miniswhite")
    np.testing.assert_array_equal(load_scan(tmp_path / "a.tif").raw, 255 - GREY)


def test_planes_one_after_the_other(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.tif",
        np.moveaxis(COLOUR, 2, 0).copy(),
        photometric="rgb",
        planarconfig="separate",
    )
    np.testing.assert_array_equal(load_scan(tmp_path / "a.tif").raw, COLOUR)


def grey_as_inks() -> Image.Image:
    return Image.fromarray(np.full((37, 53), 200, np.uint8)).convert("RGB").convert("CMYK")


def test_a_cmyk_jpeg_is_converted_to_light(tmp_path: Path) -> None:
    """CMYK holds inks, not light: four channels must not be taken for red, green and blue."""
    grey_as_inks().save(tmp_path / "a.jpg")
    raw = load_scan(tmp_path / "a.jpg").raw
    assert raw.shape == (37, 53, 3)
    assert np.abs(raw.astype(int) - 200).max() <= 4


def test_a_cmyk_tiff_is_refused(tmp_path: Path) -> None:
    grey_as_inks().save(tmp_path / "a.tif")
    with pytest.raises(NotAnImageError, match="printers' colours"):
        load_scan(tmp_path / "a.tif")


def test_the_orientation_tag_moves_nothing(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # a quarter turn (Exif 2.3)
    with_pillow(COLOUR, tmp_path / "a.png", exif=exif)
    np.testing.assert_array_equal(load_scan(tmp_path / "a.png").raw, COLOUR)
    with_pillow(COLOUR, tmp_path / "a.jpg", exif=exif)
    assert load_scan(tmp_path / "a.jpg").shape == (37, 53)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif", "a.bmp"])
def test_a_picture_cut_short_is_refused(tmp_path: Path, name: str, share: float) -> None:
    smooth = cv2.GaussianBlur(RNG.integers(0, 256, (200, 300), np.uint8), (0, 0), 2)
    with_pillow(smooth, tmp_path / name)
    data = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(data[: int(share * len(data))])
    with pytest.raises(TruncatedImageError, match="incomplete"):
        load_scan(tmp_path / name)


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
def test_a_few_bytes_of_a_picture_are_an_input_error(tmp_path: Path, name: str) -> None:
    with_pillow(GREY, tmp_path / name)
    data = (tmp_path / name).read_bytes()
    for count in range(1, 60):
        (tmp_path / name).write_bytes(data[:count])
        with pytest.raises(InputError):
            load_scan(tmp_path / name)


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif", "a.bmp"])
def test_flipped_bytes_never_end_in_another_kind_of_error(tmp_path: Path, name: str) -> None:
    rng = np.random.default_rng(8)
    with_pillow(COLOUR, tmp_path / name)
    data = (tmp_path / name).read_bytes()
    refused = 0
    for _ in range(150):
        broken = bytearray(data)
        for place in rng.integers(0, min(len(data), 600), 3):
            broken[place] ^= int(rng.integers(1, 256))
        (tmp_path / name).write_bytes(broken)
        refused += _is_refused(tmp_path / name)
    assert refused > 10


def _is_refused(path: Path) -> bool:
    """Whether the file is refused with its name; any other error is a fault."""
    try:
        load_scan(path, max_megapixels=50)
    except InputError as error:
        return path.name in str(error)
    return False


def test_empty(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"")
    with pytest.raises(EmptyFileError):
        load_scan(tmp_path / "a.png")


@pytest.mark.parametrize(
    "data", [b"a word\n" * 40, b"%PDF-1.7\n" + b"x" * 400, b"GIF89a" + b"x" * 99]
)
def test_a_file_that_is_no_picture_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.png").write_bytes(data)
    with pytest.raises(NotAnImageError) as caught:
        load_scan(tmp_path / "a.png")
    assert ("PDF" in str(caught.value)) == data.startswith(b"%PDF")


def test_a_folder_and_a_missing_file(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.png"):
        with pytest.raises(UnreadableImageError):
            load_scan(path)


@pytest.mark.parametrize("name", ["a.png", "a.tif", "a.bmp"])
def test_two_tone_is_refused(tmp_path: Path, name: str) -> None:
    Image.fromarray(GREY > 128).save(tmp_path / name)
    with pytest.raises(RefusedImageError, match="black and white"):
        load_scan(tmp_path / name)


def test_floating_point_tiff_is_refused(tmp_path: Path) -> None:
    with_tifffile(GREY.astype(np.float32), tmp_path / "a.tif")
    with pytest.raises(NotAnImageError, match="float32"):
        load_scan(tmp_path / "a.tif")


def _png(width: int, height: int, extra: bytes = b"", body: bytes = b"") -> bytes:
    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + extra + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize("side", [60_000, 2**31 - 1])
def test_a_header_of_enormous_size_costs_no_memory(tmp_path: Path, side: int) -> None:
    (tmp_path / "a.png").write_bytes(_png(side, side, body=zlib.compress(b"\0" * 100)))
    with pytest.raises(InputError):
        load_scan(tmp_path / "a.png")


def test_the_limit_on_size_is_enforced(tmp_path: Path) -> None:
    with_pillow(GREY, tmp_path / "a.png")
    with pytest.raises(ImageTooLargeError):
        load_scan(tmp_path / "a.png", max_megapixels=0.001)


def test_the_hash_is_that_of_the_file(tmp_path: Path) -> None:
    import hashlib

    with_pillow(GREY, tmp_path / "a.png")
    expected = hashlib.sha256((tmp_path / "a.png").read_bytes()).hexdigest()
    assert load_scan(tmp_path / "a.png").sha256 == expected


def test_reading_leaves_no_warning_and_no_open_file(
    tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    buffer = io.BytesIO()
    Image.fromarray(GREY).save(buffer, "PNG", dpi=(1200, 1200))
    (tmp_path / "a.png").write_bytes(buffer.getvalue())
    scan = load_scan(tmp_path / "a.png")
    assert scan.dpi == pytest.approx((1200, 1200), rel=1e-3)
    assert not recwarn.list
