"""Scans read in bands, against tifffile and Pillow reading the same file at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from sieve_inspect.errors import ImageTooLargeError, TruncatedImageError
from sieve_inspect.image import Box, bands, open_source, size_of

RNG = np.random.default_rng(3)
GREY = RNG.integers(0, 256, (203, 151), dtype=np.uint8)
DEEP = RNG.integers(0, 65536, (203, 151), dtype=np.uint16)
COLOUR = RNG.integers(0, 256, (203, 151, 3), dtype=np.uint8)

TIFFS: dict[str, tuple[npt.NDArray[Any], dict[str, Any]]] = {
    "plain": (GREY, {}),
    "plain, 16 bit, big endian": (DEEP, {"byteorder": ">"}),
    "BigTIFF": (GREY, {"bigtiff": True}),
    "strips": (GREY, {"rowsperstrip": 16, "compression": "lzw"}),
    "strips of 16 bit with predictor": (DEEP, {"compression": "zlib", "predictor": True}),
    "tiles": (GREY, {"tile": (64, 48), "compression": "zlib"}),
    "colour tiles": (COLOUR, {"tile": (64, 48), "photometric": "rgb"}),
    "colour planes": (
        np.moveaxis(COLOUR, -1, 0),
        {"planarconfig": "separate", "photometric": "rgb", "compression": "zlib"},
    ),
    "white is zero": (255 - GREY, {"photometric": "miniswhite"}),
}
MEANT: dict[str, npt.NDArray[Any]] = {"colour planes": COLOUR, "white is zero": GREY}


@pytest.mark.parametrize("memory", ["in memory", "on disk"])
@pytest.mark.parametrize("name", TIFFS)
def test_tiff(name: str, memory: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if memory == "on disk":
        monkeypatch.setattr(bands, "_IN_MEMORY", 0)
    stored, options = TIFFS[name]
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stored, **options)
    _same(path, MEANT.get(name, stored))


@pytest.mark.parametrize("kind", ["png", "png16"])
def test_other_kinds_top_down(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the limit on memory pyvips unpacks a file in bands."""
    monkeypatch.setattr(bands, "_IN_MEMORY", 1000)
    path = tmp_path / f"a.{kind[:3]}"
    image = DEEP if kind == "png16" else COLOUR
    Image.fromarray(image).save(path)
    _same(path, image)


def test_jpeg_top_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bands, "_IN_MEMORY", 1000)
    path = tmp_path / "a.jpg"
    smooth = np.add.outer(np.arange(203), np.arange(151)) % 200
    Image.fromarray(smooth.astype(np.uint8)).save(path, quality=90)
    source = open_source(path)
    with Image.open(path) as picture:
        seen = np.asarray(picture).astype(int)
    assert np.abs(source.rows(0, 203).astype(int) - seen).max() <= 2  # decoders round apart


def _same(path: Path, image: npt.NDArray[Any]) -> None:
    source = open_source(path)
    assert source.shape == image.shape[:2]
    assert source.lost == ()
    assert size_of(path) == image.shape[0] * image.shape[1]
    np.testing.assert_array_equal(source.rows(0, 1000), image)
    np.testing.assert_array_equal(source.rows(70, 133), image[70:133])
    number = RNG.integers(0, image.shape[0] * image.shape[1], (40, 7))
    flat = image.reshape(-1, *image.shape[2:])
    np.testing.assert_array_equal(source.at(number), flat[number])


def test_a_broken_strip_costs_that_strip(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY, rowsperstrip=20, compression="zlib")
    with tifffile.TiffFile(path) as file:
        at = file.pages[0].dataoffsets[3]
    data = bytearray(path.read_bytes())
    data[at : at + 20] = bytes(20)
    path.write_bytes(data)
    source = open_source(path)
    assert source.lost == (Box(60, 80, 0, 151),)
    rows = source.rows(0, 203)
    assert not rows[60:80].any()
    kept = np.r_[0:60, 80:203]
    np.testing.assert_array_equal(rows[kept], GREY[kept])


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_a_file_cut_short_gives_the_rows_it_holds(tmp_path: Path, compression: str | None) -> None:
    path = tmp_path / "a.tif"
    # The directory first, as scanners that write while scanning leave it.
    with tifffile.TiffWriter(path) as writer:
        writer.write(GREY, rowsperstrip=1, compression=compression, contiguous=False)
    with tifffile.TiffFile(path) as file:
        end = file.pages[0].dataoffsets[190]
    path.write_bytes(path.read_bytes()[:end])
    source = open_source(path)
    lost = sorted({row for box in source.lost for row in range(box.top, box.bottom)})
    assert lost == list(range(190, 203))
    np.testing.assert_array_equal(source.rows(0, 190), GREY[:190])


def test_a_file_with_much_missing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    with tifffile.TiffFile(path) as file:
        end = file.pages[0].dataoffsets[0] + 100 * 151
    path.write_bytes(path.read_bytes()[:end])
    with pytest.raises(TruncatedImageError):
        open_source(path)


def test_the_limit_is_a_setting(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    with pytest.raises(ImageTooLargeError, match="limit"):
        open_source(path, max_megapixels=0.01)


def test_a_source_is_pickled_by_its_path(tmp_path: Path) -> None:
    import pickle

    path = tmp_path / "a.tif"
    tifffile.imwrite(path, GREY)
    source = open_source(path)
    other = pickle.loads(pickle.dumps(source))
    assert other.sha256 == source.sha256
    np.testing.assert_array_equal(other.rows(0, 203), GREY)
