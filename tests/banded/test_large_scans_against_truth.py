"""Whole cloths against the truth of their drawing, and against the way of small pictures.

`synthetic.round` draws by tables and closed forms and shares no code with `synthetic.drawing`;
its widths are checked here against the areas that scikit-image counts.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from direct_drawing import draw_directly, evenly
from round_measured import matched, measured
from sieve_inspect.apertures import measuring, sampling
from sieve_inspect.apertures.field import Field
from sieve_inspect.image import linear_light, load_scan
from sieve_inspect.synthetic.round_cloth import RoundCloth, RoundTruth, draw_round


def test_every_opening_of_a_round_cloth_is_measured_right(
    drawn: tuple[Path, RoundTruth], usual: Field
) -> None:
    _, truth = drawn
    found = matched(usual, truth)
    sound = ~truth.blocked & ~truth.torn
    assert found.near.all()
    assert found.share(sound, "ok") > 0.985  # those beside the frame are left out
    assert found.share(sound, "blocked", "torn") == 0
    assert found.share(truth.blocked, "blocked", "partial") == 1
    assert found.share(truth.torn, "torn", "partial") == 1
    ok = sound & (found.state == "ok")
    for error in found.error:
        assert abs(error[ok].mean()) < 0.004
        assert error[ok].std() < 1.5 * 0.0125 + 0.01


def test_the_drawing_has_the_areas_of_its_truth(tmp_path: Path) -> None:
    """scikit-image's regions above half light: their area is width times height, without blur
    and noise but for what the corners lose."""
    from skimage.measure import label, regionprops_table

    path = tmp_path / "a.tif"
    drawn = RoundCloth(700, aperture=30.0, angle_deg=0.0, noise=0.0, blur=0.6, sd=0.8)
    truth = draw_round(drawn, path)
    light = linear_light(load_scan(path), "srgb")
    table = regionprops_table(label(light > 0.4), properties=("area", "centroid"))
    away = np.hypot(table["centroid-1"] - truth.x[:, None], table["centroid-0"] - truth.y[:, None])
    nearest = away.argmin(axis=1)
    assert away.min(axis=1).max() < 0.5  # px, of whole-pixel areas
    area, expected = table["area"][nearest], truth.width_x * truth.width_y
    assert np.abs(area - expected).max() < 2 * 30  # a row and a column of pixels
    assert area.mean() == pytest.approx(expected.mean(), rel=0.003)


def test_the_matched_filter_agrees_with_full_fits(
    drawn: tuple[Path, RoundTruth], usual: Field, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, truth = drawn
    whole = matched(usual, truth)
    monkeypatch.setattr(sampling, "ALL_UP_TO", 10**9)
    small = matched(measured(path), truth)
    both = (small.state == "ok") & (whole.state == "ok")
    assert both.mean() > 0.97
    for one, other in zip(small.error, whole.error, strict=True):
        assert abs((one - other)[both].mean()) < 0.002
        assert (one - other)[both].std() < 0.01
    differ = (small.state != whole.state) & ~np.isin(small.state, ["partial"])
    assert differ.mean() < 0.002


CASES = {
    "turned": RoundCloth(1100, angle_deg=37.0, blocked=10, missing=4, seed=1),
    "uneven": RoundCloth(1100, sd=1.8, seed=2),
    "blurred": RoundCloth(1100, blur=1.5, seed=3),
    "small and blurred: no plateau": RoundCloth(900, aperture=8.0, wire=5.0, sd=0.3, blur=1.3),
    "coarse, damaged": RoundCloth(1400, aperture=45.0, wire=25.0, blocked=6, missing=3, seed=5),
    "noisy": RoundCloth(1100, noise=0.03, blocked=10, missing=4, seed=6),
}


@pytest.mark.parametrize("name", CASES)
def test_other_cloths(name: str, tmp_path: Path) -> None:
    drawn = CASES[name]
    path = tmp_path / "a.tif"
    truth = draw_round(drawn, path)
    found = matched(measured(path), truth)
    sound = ~truth.blocked & ~truth.torn
    ok = sound & found.near & (found.state == "ok")
    assert ok.sum() > 0.97 * sound.sum()
    assert found.share(sound, "blocked", "torn") <= 0.001
    for harm, state in ((truth.blocked, "blocked"), (truth.torn, "torn")):
        assert not harm.any() or found.share(harm, state, "partial") == 1
    # Cramér and Rao for two edges under a Gaussian blur, over the middle half of the opening,
    # with the noise of the drawing and the steps of 8 bits.
    noise, rows = np.hypot(drawn.noise, 0.003) / 0.7, 0.5 * drawn.aperture
    bound = noise * np.sqrt(2 / (rows / (2 * np.sqrt(np.pi) * drawn.blur)))
    for error in found.error:
        assert abs(error[ok].mean()) < (0.02 if drawn.blur < 1.3 else 0.03)
        assert error[ok].std() < 1.5 * bound + 0.01


def test_dark_openings_on_bright_wires(drawn: tuple[Path, RoundTruth], tmp_path: Path) -> None:
    path, truth = drawn
    turned = tmp_path / "reversed.tif"
    # Linear light reversed, so that the widths stay what they are.
    light = linear_light(load_scan(path), "srgb")
    tifffile.imwrite(turned, np.rint((1 - light) * 65535).astype(np.uint16))
    found = matched(measured(turned, "linear"), truth)
    ok = ~truth.blocked & ~truth.torn & (found.state == "ok")
    assert ok.sum() > 0.97 * len(ok)
    assert np.abs(found.error[:, ok].mean(axis=1)).max() < 0.006


def test_a_picture_without_mesh_is_refused(tmp_path: Path) -> None:
    from sieve_inspect.errors import NoLatticeError

    path = Path(tmp_path) / "noise.tif"
    noise = np.random.default_rng(0).integers(0, 255, (1200, 1200), dtype=np.uint8)
    tifffile.imwrite(path, noise)
    with pytest.raises(NoLatticeError):
        measured(path)


def _sideways(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.7 + 0.8 * x


def _bulging(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.8 + 1.6 * ((x - 0.5) ** 2 + (y - 0.5) ** 2)


@pytest.mark.parametrize("blur", [_sideways, _bulging])
def test_focus_may_vary_over_the_cloth(
    tmp_path: Path, blur: Callable[[np.ndarray, np.ndarray], np.ndarray]
) -> None:
    path = tmp_path / "a.tif"
    truth = draw_directly(path, blur)
    field = measured(path)
    found = matched(field, truth)
    ok = found.state == "ok"
    assert ok.mean() > 0.98
    third = np.digitize(truth.x, [433, 867])
    for error, axis in zip(found.error, field.axes, strict=True):
        assert axis.blur_map is not None
        assert abs(error[ok].mean()) < 0.01
        for part in range(3):  # one blur for all would be off by 0.1 px at the sides
            assert abs(error[ok & (third == part)].mean()) < 0.03
        assert error[ok].std() < 1.5 * 0.0155 + 0.01


@pytest.mark.parametrize(("aperture", "wire", "sigma"), [(15.0, 9.0, 2.0), (7.0, 5.0, 1.0)])
def test_tight_openings_need_no_full_fit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, aperture: float, wire: float, sigma: float
) -> None:
    path = tmp_path / "a.tif"
    truth = draw_directly(path, evenly(sigma), 900, aperture, wire)
    asked = []
    full = measuring._in_full

    def counted(view: Any, whole: Any, which: np.ndarray, *rest: Any) -> Any:
        asked.append(len(which))
        return full(view, whole, which, *rest)

    monkeypatch.setattr(measuring, "_in_full", counted)
    field = measured(path)
    assert asked[0] < 0.25 * len(field.row)
    found = matched(field, truth)
    ok = found.state == "ok"
    assert ok.mean() > 0.98
    for error in found.error:
        assert abs(error[ok].mean()) < 0.02
        assert error[ok].std() < 1.5 * 0.018 + 0.01
