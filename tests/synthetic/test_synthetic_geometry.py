"""The drawn cloth against its own truth, by means that share nothing with how it was drawn."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import fft, ndimage
from skimage import measure

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic import Cloth, Light, Optics, Ring, Truth, render_light

UNIT = Light(open_level=1.0, wire_level=0.0)
SHARP = Optics("none")
ANGLES = [0.0, 3.3, 20.0, 45.0, 77.0, 90.0]


def _inner(truth: Truth, shape: tuple[int, int], border: float) -> np.ndarray:
    keep = (truth.x_px > border) & (truth.x_px < shape[1] - border)
    keep &= (truth.y_px > border) & (truth.y_px < shape[0] - border)
    return np.flatnonzero(keep & truth.complete)


@pytest.mark.parametrize("angle", ANGLES)
def test_open_areas_are_the_product_of_the_widths(angle: float) -> None:
    # scikit-image's regionprops sums each labelled opening of a sharp, linear picture. A
    # parallelogram's area is w_x·w_y / cos(skew). Corners within one pixel are exact only on
    # average (see scene.py): 0.1 px² per opening, 0.001 px of width in the mean.
    cloth = Cloth(14.3, 9.2, aperture_y_px=15.1, sd_px=0.4, rotation_deg=angle, skew_deg=1.2)
    light, truth = render_light(cloth, SHARP, (300, 380), light=UNIT)
    labels = measure.label(light > 1e-6, connectivity=1)
    sums = {p.label: p.area * p.intensity_mean for p in measure.regionprops(labels, light)}
    picked = _inner(truth, (300, 380), 20)
    here = labels[np.rint(truth.y_px[picked]).astype(int), np.rint(truth.x_px[picked]).astype(int)]
    area = np.array([sums[label] for label in here])
    expected = truth.width_x_px * truth.width_y_px / np.cos(np.radians(cloth.skew_deg))
    difference = area - expected[picked]
    assert len(picked) > 100
    assert np.abs(difference).max() < 0.12
    assert abs(difference.mean()) < 0.02


def _moments(light: np.ndarray, truth: Truth, index: int, variance: float) -> tuple[float, ...]:
    """Middle and widths of one opening from its light's moments; `variance` is the blur's."""
    cx, cy = int(truth.x_px[index]), int(truth.y_px[index])
    y, x = np.mgrid[cy - 19 : cy + 20, cx - 19 : cx + 20]
    from_middle = [(x - truth.x_px[index]), (y - truth.y_px[index])]
    window = light[cy - 19 : cy + 20, cx - 19 : cx + 20].copy()
    step = np.stack([truth.vector_x, truth.vector_y], axis=1)
    cell = np.linalg.solve(step, np.stack([d.ravel() for d in from_middle]))
    window.ravel()[np.abs(cell).max(axis=0) > 0.5] = 0  # the neighbours' light
    total = window.sum()
    mx, my = (window * x).sum() / total, (window * y).sum() / total
    widths = []
    for along in (truth.along_x[index], truth.along_y[index]):
        across = (y - my) * along[0] - (x - mx) * along[1]
        spread = (window * across**2).sum() / total
        widths.append(float(np.sqrt(12 * (spread - variance - 1 / 12))))
    return float(mx), float(my), widths[0], widths[1]


@pytest.mark.parametrize("sigma", [0.5, 0.9])
@pytest.mark.parametrize("angle", ANGLES)
def test_widths_from_second_moments(angle: float, sigma: float) -> None:
    # A uniform strip of width w has variance w²/12, the square pixel adds 1/12 in every
    # direction, a Gaussian its σ². The stated residual of the renderer is 0.0005 px.
    cloth = Cloth(14.3, 12.2, aperture_y_px=15.1, sd_px=0.4, rotation_deg=angle, skew_deg=1.0)
    light, truth = render_light(cloth, Optics("gaussian", sigma), (300, 380), light=UNIT)
    rows = [(i, *_moments(light, truth, i, sigma**2)) for i in _inner(truth, (300, 380), 25)]
    index, mx, my, wx, wy = np.array(rows).T
    picked = index.astype(int)
    assert len(picked) > 80
    for seen, told in (
        (mx, truth.x_px[picked]),
        (my, truth.y_px[picked]),
        (wx, truth.width_x_px[picked]),
        (wy, truth.width_y_px[picked]),
    ):
        assert np.abs(seen - told).max() < 0.0005


@pytest.mark.parametrize(("angle", "bend"), [(2.0, 0.0), (31.0, 6.0), (58.0, -4.0)])
def test_truth_polygons_cover_what_is_bright(angle: float, bend: float) -> None:
    # The four edge lines the truth tells, sampled 12 × 12 to the pixel, against the picture.
    cloth = Cloth(
        17.0, 11.0, sd_px=0.5, rotation_deg=angle, skew_deg=-1.5, bend_px=bend, stretch_x=1.03
    )
    light, truth = render_light(cloth, SHARP, (220, 260), light=UNIT)
    sub = (np.arange(12) + 0.5) / 12 - 0.5
    for index in _inner(truth, (220, 260), 25)[::7]:
        cx, cy = int(truth.x_px[index]), int(truth.y_px[index])
        y = (np.arange(cy - 13, cy + 14)[:, None] + sub).ravel()[:, None]
        x = (np.arange(cx - 13, cx + 14)[:, None] + sub).ravel()[None, :]
        inside = np.ones((y.size, x.size), bool)
        for edges, along in (
            (truth.edges_x[index], truth.along_x[index]),
            (truth.edges_y[index], truth.along_y[index]),
        ):
            side = [(x - e[0]) * along[1] - (y - e[1]) * along[0] for e in edges]
            inside &= side[0] * side[1] < 0
        share = inside.reshape(27, 12, 27, 12).mean(axis=(1, 3))
        near = np.abs(share - light[cy - 13 : cy + 14, cx - 13 : cx + 14])
        near[(share == 0) & (near > 0.5)] = 0  # neighbours
        wide = truth.width_x_px[index] + truth.width_y_px[index]
        assert abs((share - light[cy - 13 : cy + 14, cx - 13 : cx + 14])[share > 0].sum()) < (
            0.01 * wide
        )
        assert near[share > 0].max() < 0.15  # a corner, a bent edge, 1/12 px samples


@pytest.mark.parametrize("kick", [0.0, 0.3])
def test_width_at_mid_position_along_the_picture_row(kick: float) -> None:
    # Unrotated: the light in one pixel row through the middle of an aperture is its width.
    cloth = Cloth(24.0, 11.0, sd_px=0.6, along_sd_px=kick, seed=3)
    light, truth = render_light(cloth, SHARP, (200, 300), light=UNIT)
    errors = []
    for index in _inner(truth, (200, 300), 20):
        row = light[round(truth.y_px[index])]
        centre = round(truth.x_px[index])
        errors.append(row[centre - 17 : centre + 18].sum() - truth.width_x_px[index])
    # Half a pixel off the middle a kinked wire has moved on by up to 3·(0.5/35)² of its kink.
    assert np.abs(errors).max() < (0.002 if kick else 1e-5)


def test_pitch_against_the_peak_of_a_fourier_transform() -> None:
    # scipy.fft: a pitch that divides the picture puts all power into one bin and its multiples.
    cloth = Cloth(14.0, 9.0, aperture_y_px=20.0, wire_y_px=12.0)
    light, truth = render_light(cloth, Optics(), (32 * 20, 23 * 30), light=UNIT)
    for axis, count in ((0, 30), (1, 20)):
        power = np.abs(fft.rfft(light.mean(axis=axis) - light.mean()))
        assert int(power.argmax()) == count
        assert power[count - 1] < 1e-4 * power[count]
    np.testing.assert_allclose(truth.vector_x, [23.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(truth.vector_y, [0.0, 32.0], atol=1e-9)


def test_the_gaps_have_the_given_spread_and_comb() -> None:
    cloth = Cloth(12.0, 6.0, sd_px=0.5, along_sd_px=0.3, comb_px=0.8, seed=5)
    _, truth = render_light(cloth, SHARP, (2000, 2000), light=UNIT)
    means = np.array([truth.width_x_px[truth.col == c].mean() for c in range(truth.col.max() + 1)])
    count = len(means)
    odd_even = means[1::2].mean() - means[::2].mean()
    assert abs(abs(odd_even) - 0.8) < 4 * 0.5 * 2 / np.sqrt(count)
    assert abs(means.mean() - 12.0) < 4 * 0.5 / np.sqrt(count)
    own = truth.width_x_px - means[truth.col]
    assert own.std() == pytest.approx(0.3, rel=0.03)  # 12,000 apertures: 0.6 %
    spread = means - np.where(np.arange(count) % 2 == 0, means[::2].mean(), means[1::2].mean())
    assert spread.std() == pytest.approx(0.5, rel=4 / np.sqrt(2 * count))


@pytest.mark.parametrize("angle", [0, 20, 44, 46, 70, 90, 135, -30])
def test_x_is_the_direction_nearest_the_horizontal(angle: float) -> None:
    cloth = Cloth(14.0, 9.0, aperture_y_px=18.0, rotation_deg=angle)
    _, truth = render_light(cloth, SHARP, (200, 260), light=UNIT)
    assert (truth.angle_deg - angle + 1e-9) % 90 < 2e-9
    assert abs(truth.angle_deg) <= 45 + 1e-9
    assert truth.vector_x[0] > 0
    assert truth.vector_y[1] > 0
    turned = 45 < abs(angle) < 135
    assert truth.width_x_px[0] == pytest.approx(18 if turned else 14, abs=1e-9)
    assert truth.row.min() == truth.col.min() == 0
    right = truth.col == truth.col.max()
    assert truth.x_px[right].mean() > 200


@pytest.mark.parametrize(("angle", "x", "y"), [(0.0, 140, 180), (27.0, 140, 180), (63.0, 180, 140)])
def test_widths_under_unequal_scales_undo_the_stretch(angle: float, x: float, y: float) -> None:
    cloth = Cloth(
        14.0,
        9.0,
        aperture_y_px=18.0,
        stretch_x=1.03,
        stretch_y=0.98,
        rotation_deg=angle,
        skew_deg=1.0,
    )
    _, truth = render_light(cloth, SHARP, (200, 260), light=UNIT)
    told = truth.widths(10 / 1.03, 10 / 0.98)
    np.testing.assert_allclose(told[0], x, atol=1e-9)
    np.testing.assert_allclose(told[1], y, atol=1e-9)
    assert abs(truth.width_x_px.mean() - x / 10) > 0.05  # square pixels would be wrong
    np.testing.assert_allclose(truth.widths(1, 1)[0], truth.width_x_px)


def test_light_is_conserved_by_the_blur() -> None:
    cloth = Cloth(14.0, 9.0, rotation_deg=10)
    sharp, _ = render_light(cloth, SHARP, (300, 300), light=UNIT)
    for optics in (Optics("gaussian", 1.5), Optics("disc", 2.0), Optics("smear", 2.0)):
        blurred, _ = render_light(cloth, optics, (300, 300), light=UNIT)
        assert blurred[40:-40, 40:-40].mean() == pytest.approx(sharp[40:-40, 40:-40].mean(), 5e-3)


def test_strips_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    from sieve_inspect.synthetic import rendering

    cloth = Cloth(14.0, 9.0, rotation_deg=10, sd_px=0.3)
    whole, _ = render_light(cloth, Optics("glare", 4.0, 0.2), (200, 150), light=UNIT)
    monkeypatch.setattr(rendering, "_STRIP_SQUARES", 400_000)
    parts, _ = render_light(cloth, Optics("glare", 4.0, 0.2), (200, 150), light=UNIT)
    assert np.abs(whole - parts).max() < 2e-4


def test_ring_and_surround() -> None:
    ring = Ring(radius_px=90, width_px=12, level=0.9, surround=0.02)
    cloth = Cloth(14.0, 9.0, ring=ring)
    light, truth = render_light(cloth, SHARP, (260, 260), light=UNIT)
    away = np.hypot(*(np.indices(light.shape) - 129.5))
    assert np.all(light[(away > 91) & (away < 101)] == pytest.approx(0.9))
    assert np.all(light[away > 103] == pytest.approx(0.02))
    reach = np.hypot(truth.x_px - 129.5, truth.y_px - 129.5)
    assert np.all(reach[truth.complete] <= 90 - 7)
    assert np.all(truth.complete[reach < 90 - 7 * np.sqrt(2)])
    assert set(truth.state[~truth.complete]) == {"partial"}


def test_complete_openings_end_at_the_border_of_the_outer_pixels() -> None:
    # Pixel centres at whole numbers: the picture reaches from −0.5 to width − 0.5.
    cloth = Cloth(10.0, 10.0)
    _, truth = render_light(cloth, SHARP, (100, 200), light=UNIT)
    half = 5.0
    expected = (truth.x_px - half >= -0.5) & (truth.x_px + half <= 199.5)
    expected &= (truth.y_px - half >= -0.5) & (truth.y_px + half <= 99.5)
    np.testing.assert_array_equal(truth.complete, expected)


def test_neighbouring_openings_do_not_touch() -> None:
    light, truth = render_light(Cloth(9.0, 5.0, rotation_deg=33), SHARP, (150, 150), light=UNIT)
    _, count = ndimage.label(light > 0.01)
    assert abs(count - len(truth)) <= 4  # slivers at the border


@pytest.mark.parametrize(
    "wrong",
    [
        {"aperture_px": 0.2},
        {"wire_px": 0.0},
        {"sd_px": -1.0},
        {"skew_deg": 40.0},
        {"stretch_x": 3.0},
        {"rotation_deg": float("nan")},
    ],
)
def test_senseless_cloth_is_a_usage_error(wrong: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        replace(Cloth(14.0, 9.0), **wrong)
