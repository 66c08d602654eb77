"""Measured beside what other libraries make of the same picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from skimage.measure import label, regionprops

from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import exact_scale
from sieve_inspect.synthetic import Cloth, Light, Optics, render_light

EXACT = exact_scale(10.0, 10.0)
LINES = Path(__file__).parents[3] / "shared" / "images" / "square_line_grid.jpg"


def test_areas_as_scikit_image_sums_them(tmp_path: Path) -> None:
    """Light adds up: the sum over an opening's pixels, over the light of a whole one, is its area.

    `regionprops` sums what lies in each region; the wires are black, so the light that blur
    carries over an edge still belongs to its opening. Independent of any fitted edge.
    """
    cloth = Cloth(16.3, 12.1, aperture_y_px=17.4, sd_px=0.6, rotation_deg=7, seed=61)
    level, truth = render_light(
        cloth, Optics("gaussian", 0.8), (300, 380), light=Light(open_level=0.8, wire_level=0.0)
    )
    tifffile.imwrite(tmp_path / "a.tif", np.round(level * 65535).astype(np.uint16))
    result = measure([tmp_path / "a.tif"], nominal_um=163, scale=EXACT, encoding="linear")
    field = result.pictures[0].field
    # 1/40 of the light: by the middle of a wire the blur has let it fall to nothing.
    regions = regionprops(label(level > 0.02 * 0.8), intensity_image=level)
    middles = np.array([r.centroid_weighted[::-1] for r in regions])
    areas = np.array([r.area * r.intensity_mean for r in regions]) / 0.8
    ok = np.flatnonzero(field.ok)
    wide = np.stack([a.fit.width for a in field.axes], axis=1)
    ratio = []
    for i in ok:
        away = np.hypot(*(middles - field.centre[i]).T)
        if away.min() < 0.5:
            ratio.append(areas[away.argmin()] / wide[i].prod())
    assert len(ratio) > 0.8 * truth.sound.sum()
    # At the threshold's edge 0.02 of a Gaussian's foot is lost: about 1e-3 of so small an opening.
    assert np.mean(ratio) == pytest.approx(1.0, abs=3e-3)
    assert np.std(ratio) < 2e-3


@pytest.mark.skipif(not LINES.is_file(), reason=f"the picture {LINES.name} is not on this machine")
def test_pitch_of_a_photographed_line_grid(tmp_path: Path) -> None:
    """Printed pitch 62.22 and 62.26 px in the centre (documentation of the library it is from)."""
    with Image.open(LINES) as picture:
        grey = np.asarray(picture.convert("L"))
    height, width = grey.shape
    centre = grey[height // 2 - 300 : height // 2 + 300, width // 2 - 300 : width // 2 + 300]
    Image.fromarray(centre).save(tmp_path / "centre.png")
    result = measure([tmp_path / "centre.png"], nominal_um=540, scale=EXACT)
    pitch = [d.pitch_um / 10 for d in result.directions]
    assert pitch[0] == pytest.approx(62.22, rel=3e-3)
    assert pitch[1] == pytest.approx(62.26, rel=3e-3)
