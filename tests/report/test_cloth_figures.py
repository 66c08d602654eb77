"""Map, gaps, fitted curve and forecast band, against SciPy, NumPy and the laws of chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from present import present
from sieve_registry.outlook.straight_line import Point, fit, line_design
from sieve_registry.report.charts import _fitted_normal
from sieve_registry.report.gaps import halves_of
from sieve_registry.report.maps import cloth_map_svg, map_of
from sieve_registry.report.view import Apertures, Places
from sieve_registry.report.wear import _band


def cloth(
    seed: int = 0, size: tuple[int, int] = (24, 30), teeth_um: float = 0.0, images: int = 1
) -> Apertures:
    """Apertures whose gaps scatter by 1 um, and whose odd columns are wider by `teeth_um`."""
    rng = np.random.default_rng(seed)
    shape = (images, *size)
    image, row, column = (index.ravel() for index in np.indices(shape))
    gaps = rng.normal(0, 1, (images, size[1])) + teeth_um * (np.arange(size[1]) % 2)
    x = 75 + gaps[image, column] + rng.normal(0, 0.5, image.size)
    y = 76 + rng.normal(0, 1, (images, size[0]))[image, row] + rng.normal(0, 0.5, image.size)
    places = Places(image + 1, row, column, 20.0 + 24 * column, 18.0 + 24 * row)
    return Apertures(x, y, np.full(image.size, "ok"), places)


def test_local_means_are_those_of_scipy() -> None:
    apertures = cloth(size=(40, 50))
    mapped = map_of(apertures, ["a.png"], None, (), "µm")
    (field,) = mapped.fields
    rows, columns = field.means.shape[1:]
    assert rows * columns == pytest.approx(40 * 50 / 12, rel=0.35)
    for place, width in enumerate((apertures.width_x_um, apertures.width_y_um)):
        expected = stats.binned_statistic_2d(
            apertures.places.y_px,
            apertures.places.x_px,
            width - width.mean(),
            bins=(
                np.linspace(0, field.size[1], rows + 1),
                np.linspace(0, field.size[0], columns + 1),
            ),
        )
        np.testing.assert_allclose(field.means[place], expected.statistic, atol=1e-9)


def test_a_few_apertures_at_the_rim_do_not_set_the_shades() -> None:
    """A round cloth of 40 x 40; one aperture alone beside it is 9 um wider than the others."""
    complete = cloth(size=(40, 40))
    beside = np.hypot(complete.places.row - 19.5, complete.places.column - 19.5) > 19.5
    corner = (complete.places.row == 1) & (complete.places.column == 1)
    state = np.where(beside & ~corner, "partial", "ok")
    apertures = replace(complete, state=state, width_x_um=complete.width_x_um + 9.0 * corner)
    mapped = map_of(apertures, ["a.png"], None, (), "µm")
    (field,) = mapped.fields
    assert np.isnan(field.means[:, 0, 0]).all()
    assert np.isfinite(field.means[:, 5, 5]).all()
    assert mapped.reach == np.nanmax(np.abs(field.means)) < 4


def test_a_map_that_stands_alone_explains_its_marks() -> None:
    apertures = cloth()
    state = apertures.state.astype("U8")
    state[3] = "blocked"
    mapped = present(map_of(replace(apertures, state=state), ["a.png"], None, (), "µm"))
    alone = cloth_map_svg(mapped, "a map", legend=True)
    assert ">blocked<" in alone
    assert "white: too few apertures for a mean" in alone
    assert ">torn<" not in alone  # there is none
    assert "white:" not in cloth_map_svg(mapped, "a map")


def test_marks_are_where_the_table_has_them() -> None:
    apertures = cloth()
    state = apertures.state.astype("U8")
    state[[3, 70]] = "blocked"
    state[100] = "torn"
    wide = apertures.width_x_um.copy()
    wide[200] = 101.5
    changed = replace(apertures, state=state, width_x_um=wide)
    mapped = present(map_of(changed, ["a.png"], 101.0, [(1, 200, "x")], "µm"))
    assert mapped.counts == (2, 1, 1)
    (field,) = mapped.fields
    at = [apertures.places.x_px[200], apertures.places.y_px[200]]
    np.testing.assert_array_equal(field.oversize[0], [at])
    assert field.numbers == (("x", 1, *at),)
    svg = cloth_map_svg(mapped, "a map")
    assert svg == cloth_map_svg(mapped, "a map")
    assert "<image" not in svg


def test_no_map_without_places() -> None:
    bare = Apertures(np.array([75.0]), np.array([75.0]), np.array(["ok"]))
    assert map_of(bare, [], None, (), "µm") is None
    assert map_of(None, [], None, (), "µm") is None
    assert halves_of(bare, "x") is None


@pytest.mark.parametrize("images", [1, 3])
def test_a_comb_with_uneven_teeth_is_seen_in_its_direction_only(images: int) -> None:
    halves = halves_of(cloth(teeth_um=4.0, images=images), "x")
    assert halves is not None
    assert halves.difference_um == pytest.approx(4.0, abs=3 * np.sqrt(4 / 30 / images))
    assert halves_of(cloth(teeth_um=4.0, images=images), "y") is None


def test_even_cloth_is_rarely_called_uneven() -> None:
    # Three standard errors of gaps that scatter normally: 0.27 % each; t with 28 degrees, 0.56 %.
    called = sum(halves_of(cloth(seed), d) is not None for seed in range(200) for d in "xy")
    assert called <= stats.binom.ppf(0.999, 400, 0.0056)


def test_the_fitted_curve_is_the_normal_density_over_the_bars() -> None:
    from matplotlib.figure import Figure

    widths = np.random.default_rng(3).normal(75, 2, 500)
    bins = np.arange(68.0, 83.0, 0.5).tolist()
    axes = Figure().subplots()
    _fitted_normal(axes, widths, bins)
    x, height = (np.asarray(part, np.float64) for part in axes.lines[0].get_data())
    expected = 500 * 0.5 * stats.norm.pdf(x, widths.mean(), widths.std(ddof=1))
    np.testing.assert_allclose(height, expected, rtol=1e-9)


def test_the_forecast_band_is_that_of_numpy() -> None:
    t = np.array([0.0, 120.0, 260.0, 410.0, 500.0])
    y = 75 + 0.004 * t + np.array([0.05, -0.1, 0.02, 0.07, -0.04])
    u = np.array([0.1, 0.12, 0.1, 0.15, 0.1])
    points = [Point(*pair) for pair in zip(y, u, strict=True)]
    line = present(fit(line_design([0] * 5, t.tolist()), points))
    ahead = np.linspace(0, 900, 7)
    value, half = _band(line, ahead)
    p, cov = np.polyfit(t, y, 1, w=1 / u, cov="unscaled")
    rows = np.column_stack([ahead, np.ones(7)])
    np.testing.assert_allclose(value, rows @ p, rtol=1e-9)
    spread = np.sqrt(np.einsum("ij,jk,ik->i", rows, cov, rows))
    np.testing.assert_allclose(half, stats.norm.ppf(0.975) * spread, rtol=1e-6)


def test_many_fields_are_split_over_figures_that_fit_a_page() -> None:
    from report_sample import sample
    from sieve_registry.report.formatting import Lengths
    from sieve_registry.report.maps import cloth_map

    made = present(cloth_map(replace(sample(), apertures=cloth(images=8)), Lengths(75)))
    heights = [
        float(svg.split('viewBox="0 0 ')[1].split()[1].split('"')[0]) for svg in made["svgs"]
    ]
    assert len(heights) == 3
    assert max(heights) < (297 - 32) / 25.4 * 72  # points between the margins of A4
