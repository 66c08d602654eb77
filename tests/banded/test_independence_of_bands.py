"""Results do not depend on bands, on the layout of the file, or on the process."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from round_measured import matched, measured, same
from sieve_inspect.apertures import bulk, measuring
from sieve_inspect.apertures.field import Field
from sieve_inspect.image.light import is_held
from sieve_inspect.lattice import search
from sieve_inspect.synthetic.round_cloth import RoundCloth, RoundTruth, draw_round


@pytest.mark.parametrize("rows", [100, 333, 5000])
def test_the_height_of_bands_does_not_matter(
    drawn: tuple[Path, RoundTruth], usual: Field, monkeypatch: pytest.MonkeyPatch, rows: int
) -> None:
    path, _ = drawn
    monkeypatch.setattr(bulk, "CORE", rows)
    monkeypatch.setattr(search, "CORE", rows)
    monkeypatch.setattr(measuring, "_AT_ONCE", 40)
    same(usual, measured(path), within=1e-9)  # a place less its band's first row is rounded


def test_two_processes_give_bit_identical_results(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.undo()  # another process knows nothing of it: the scan itself is large
    path = tmp_path / "scan.tif"
    draw_round(RoundCloth(2600, aperture=24.0, wire=16.0, blocked=30, missing=10, seed=4), path)
    assert not is_held(2600**2)
    same(measured(path), measured(path, second=True))


LAYOUTS: dict[str, dict[str, Any]] = {
    "tiles": {"tile": (256, 256), "compression": "zlib"},
    "strips": {"rowsperstrip": 37, "compression": "lzw"},
    "BigTIFF": {"bigtiff": True},
    "big endian": {"byteorder": ">"},
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_layout_of_the_file_does_not_matter(
    drawn: tuple[Path, RoundTruth], usual: Field, tmp_path: Path, layout: str
) -> None:
    path, _ = drawn
    image = tifffile.imread(path)
    other = tmp_path / "other.tif"
    tifffile.imwrite(other, image, photometric="minisblack", **LAYOUTS[layout])
    same(usual, measured(other))


def test_colour_and_depth_give_the_same_widths(
    drawn: tuple[Path, RoundTruth], usual: Field, tmp_path: Path
) -> None:
    path, truth = drawn
    image = tifffile.imread(path)
    of_grey = matched(usual, truth)
    tifffile.imwrite(tmp_path / "colour.tif", np.dstack([image] * 3), photometric="rgb")
    tifffile.imwrite(tmp_path / "deep.tif", image.astype(np.uint16) * 257)
    for name in ("colour.tif", "deep.tif"):
        other = matched(measured(tmp_path / name), truth)
        assert (other.state == of_grey.state).mean() > 0.999  # beside the frame one may change
        both = (other.state == "ok") & (of_grey.state == "ok")
        differ = np.abs(other.error - of_grey.error)[:, both]
        # A few openings stand so near a threshold that they are measured in full, or not.
        assert np.percentile(differ, 99) < 0.01
        assert differ.max() < 0.05
