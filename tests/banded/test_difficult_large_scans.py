"""Defects of large scans, in bands and in memory: right widths, or an uncertainty that covers."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy.ndimage import gaussian_filter

from cases import others_long
from direct_drawing import Field, draw_directly, evenly, srgb
from round_measured import Matched, matched
from sieve_inspect.apertures import sampling
from sieve_inspect.errors import NominalMismatchError, RefusedImageError
from sieve_inspect.image import light as scan_light
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import scale_from_text
from sieve_inspect.summary.statistics import whole_cloth
from sieve_inspect.summary.uncertainty import BudgetSource
from sieve_inspect.synthetic.round_cloth import RoundCloth, RoundTruth, draw_round

SIDE = 700
LARGE = 900  # where fewer openings would decide less, or leave no room for a hole
UM_PER_PX = 5.0


@functools.cache
def across(first: float, last: float) -> Field:
    return lambda x, _: first + (last - first) * x


def linear(light: np.ndarray) -> np.ndarray:
    return light


def negative(light: np.ndarray) -> np.ndarray:
    return 1 - srgb(light)


@pytest.fixture(params=["in bands", pytest.param("in full", marks=pytest.mark.long)])
def measured(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Measurement]:
    if request.param == "in full":
        monkeypatch.setattr(scan_light, "HELD_UP_TO", 10**9)
        monkeypatch.setattr(sampling, "ALL_UP_TO", 10**9)

    def measuring(path: Path, aperture: float = 15.0) -> Measurement:
        scale = scale_from_text(str(UM_PER_PX))
        return measure([path], nominal_um=aperture * UM_PER_PX, scale=scale)

    return measuring


def own_u(measurement: Measurement) -> list[float]:
    """Standard uncertainty (px) of the mean of x and of y from the picture itself."""
    imaging = BudgetSource.IMAGING
    lines = [c for c in measurement.budget if c.of == "mean" and c.source is imaging]
    return [
        np.sqrt(sum(c.value_um**2 for c in lines if c.direction == name)) / UM_PER_PX
        for name in "xy"
    ]


def errors(measurement: Measurement, truth: RoundTruth) -> tuple[Matched, np.ndarray]:
    found = matched(measurement.pictures[0].field, truth)
    return found, found.state == "ok"


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
@pytest.mark.parametrize(
    "blur",
    others_long(
        [
            across(0.7, 1.7),
            evenly(1.0),
            evenly(0.7),
            lambda x, y: 0.7 + 1.4 * np.hypot(x - 0.5, y - 0.5),
        ]
    ),
)
def test_uneven_focus_is_not_mistaken_for_another_encoding(
    measured: Callable[..., Measurement],
    tmp_path: Path,
    encoding: str,
    blur: Field,
) -> None:
    """The wrong encoding would be off by 1.5 px."""
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, blur, SIDE, stored=srgb if encoding == "srgb" else linear)
    measurement = measured(path)
    assert measurement.pictures[0].encoding == encoding
    found, ok = errors(measurement, truth)
    for error, u in zip(found.error, own_u(measurement), strict=True):
        assert abs(error[ok].mean()) < 2 * u < 0.12


@pytest.mark.long
def test_openings_brighter_than_the_sensor_in_uneven_focus_are_not_blocked(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, across(0.9, 1.2), 500, lit=evenly(1.2))  # each fit takes long
    measurement = measured(path)
    found, ok = errors(measurement, truth)
    assert not np.isin(found.state, ["blocked", "torn"]).any()
    assert ok.mean() > 0.97
    for error, u in zip(found.error, own_u(measurement), strict=True):
        assert abs(error[ok].mean()) < 2 * u


def test_part_of_the_field_may_be_too_bright(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), SIDE, lit=across(0.6, 1.2))
    found, ok = errors(measured(path), truth)
    assert ok.mean() > 0.97
    thirds = [SIDE / 3, 2 * SIDE / 3]
    for error in found.error:
        for part in range(3):
            assert abs(error[ok & (np.digitize(truth.x, thirds) == part)].mean()) < 0.03


def test_a_black_point_above_the_wires_widens_the_uncertainty(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    """A tenth of the light cut off moves the edges of 15 px openings by an eighth of a pixel."""
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), SIDE, cut=0.15)
    measurement = measured(path)
    found, ok = errors(measurement, truth)
    assert measurement.fit == "indicative"
    for error, u in zip(found.error, own_u(measurement), strict=True):
        assert abs(error[ok].mean()) < 2.5 * u


@pytest.mark.parametrize(
    ("aperture", "wire", "sigma"), others_long([(7.0, 4.0, 1.4), (10.0, 6.0, 1.8)])
)
def test_wires_without_a_dark_level_widen_the_uncertainty(
    measured: Callable[..., Measurement], tmp_path: Path, aperture: float, wire: float, sigma: float
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(sigma), 700, aperture, wire)
    measurement = measured(path, aperture)
    found, ok = errors(measurement, truth)
    for error, u in zip(found.error, own_u(measurement), strict=True):
        assert abs(error[ok].mean()) < 2.5 * u


def test_an_encoding_that_the_edges_do_not_confirm_carries_no_verdict(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    """Under such a blur linear light read as sRGB has edges of nearly the same shape."""
    path = tmp_path / "scan.tif"
    draw_directly(path, evenly(2.0), LARGE, 20.0, 12.0, stored=linear)
    measurement = measured(path, 20.0)
    assert measurement.pictures[0].encoding == "linear" or measurement.fit == "indicative"


@pytest.mark.parametrize("share", others_long([0.3, 0.15, 0.6]))
def test_sharpening_by_the_driver_widens_the_uncertainty(
    measured: Callable[..., Measurement], tmp_path: Path, share: float
) -> None:
    """An unsharp mask on stored numbers, which are not light, moves edges outward."""
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), SIDE)
    stored = tifffile.imread(path).astype(float)
    sharp = stored + share * (stored - gaussian_filter(stored, 1.5))
    tifffile.imwrite(path, np.clip(np.rint(sharp), 0, 255).astype(np.uint8))
    measurement = measured(path)
    found, ok = errors(measurement, truth)
    for error, u in zip(found.error, own_u(measurement), strict=True):
        assert abs(error[ok].mean()) < 2 * u < 0.15


@pytest.mark.parametrize(
    "missing",
    [
        ((-9,), (3,)),
        *(
            pytest.param(missing, marks=pytest.mark.long)
            for missing in (((0,), ()), ((4, 5), (-6,)), ((-8, 0, 8), ()))
        ),
    ],
)
def test_wires_missing_right_across_leave_one_torn_cloth(
    measured: Callable[..., Measurement],
    tmp_path: Path,
    missing: tuple[tuple[int, ...], tuple[int, ...]],
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), SIDE, missing=missing)
    found, ok = errors(measured(path), truth)
    far = (np.minimum(truth.x, truth.y) > 40) & (np.maximum(truth.x, truth.y) < SIDE - 40)
    np.testing.assert_array_equal(found.state[far] == "torn", truth.torn[far])
    assert ok[~truth.torn & far].mean() > 0.995
    for error in found.error:
        assert abs(error[ok].mean()) < 0.01


@pytest.mark.parametrize("lost", others_long([8, -12, 12, 16]))
def test_a_scan_that_lost_or_repeated_lines_is_refused(
    measured: Callable[..., Measurement], tmp_path: Path, lost: int
) -> None:
    """Half a row is missing or scanned twice; its rest would be judged as blocked."""
    path = tmp_path / "scan.tif"
    draw_directly(path, evenly(1.0), SIDE)
    whole, middle = tifffile.imread(path), SIDE // 2
    tifffile.imwrite(path, np.concatenate([whole[:middle], whole[middle + lost :]]))
    with pytest.raises(RefusedImageError):
        measured(path)


@pytest.mark.parametrize("lost", [-5, 5])
def test_a_few_lost_lines_are_detected_where_the_cloth_lies_rotated(
    measured: Callable[..., Measurement], tmp_path: Path, lost: int
) -> None:
    path = tmp_path / "scan.tif"
    draw_directly(path, evenly(1.0), SIDE)
    whole, middle = tifffile.imread(path), SIDE // 2
    tifffile.imwrite(path, np.concatenate([whole[:middle], whole[middle + lost :]]))
    with pytest.raises(RefusedImageError, match="off its place"):
        measured(path)


def wider_row(gaps: list[np.ndarray], middle: int) -> None:
    gaps[1][middle + 3] += 8.0


def wire_aside(gaps: list[np.ndarray], middle: int) -> None:
    gaps[0][middle] += 7.5
    gaps[0][middle + 1] -= 7.5


@pytest.mark.parametrize("woven", [wider_row, wire_aside])
@pytest.mark.parametrize("turned", others_long([4.0, 2.0, 33.0]))
def test_unevenly_woven_cloth_is_no_jump_of_the_scanner(
    measured: Callable[..., Measurement],
    tmp_path: Path,
    woven: Callable[[list[np.ndarray], int], None],
    turned: float,
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), LARGE, woven=woven, turned=turned)
    measurement = measured(path)
    found, ok = errors(measurement, truth)
    assert measurement.fit == "ok"
    assert not np.isin(found.state, ["blocked", "torn"]).any()
    assert ok.mean() > 0.95
    for error in found.error:
        assert abs(error[ok].mean()) < 0.01


def test_rows_along_the_scans_lines_make_the_verdict_indicative(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    """A row of the cloth that is a third of a pitch wider, or so many lines scanned twice."""
    path = tmp_path / "scan.tif"
    draw_directly(path, evenly(1.0), SIDE, woven=wider_row, turned=0.0)
    measurement = measured(path)
    assert measurement.fit == "indicative"
    assert "turned by some degrees" in " ".join(measurement.fit_reasons)


def test_a_large_covered_place_is_blocked(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), LARGE)
    image = tifffile.imread(path)
    image[300:560, 340:620] = 63  # the wires' own light
    tifffile.imwrite(path, image)
    found, _ = errors(measured(path), truth)
    inside = (np.abs(truth.x - 480) < 130) & (np.abs(truth.y - 430) < 120)
    assert inside.sum() > 80
    assert (found.state[inside] == "blocked").all()
    assert not (found.state[np.hypot(truth.x - 480, truth.y - 430) > 260] == "blocked").any()


def test_widths_at_the_edge_of_a_hole_are_not_used(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    truth = draw_directly(path, evenly(1.0), LARGE)
    image = tifffile.imread(path)
    rows, columns = np.mgrid[:LARGE, :LARGE]
    image[np.hypot(columns - 430, rows - 480) < 160] = 225  # the openings' light
    tifffile.imwrite(path, image)
    measurement = measured(path)
    found, ok = errors(measurement, truth)
    assert (found.state == "torn").sum() > 10
    assert ok.sum() > 1000
    for error in found.error:
        assert np.abs(error[ok]).max() < 0.6
        assert abs(error[ok].mean()) < 0.01


@pytest.mark.parametrize(
    ("aperture", "wire"), others_long([(16.5, 9.0), (12.0, 9.0), (18.75, 9.0)])
)
def test_two_cloths_side_by_side_are_refused(
    measured: Callable[..., Measurement], tmp_path: Path, aperture: float, wire: float
) -> None:
    one, other, both = (tmp_path / f"{name}.tif" for name in ("one", "other", "both"))
    draw_directly(one, evenly(1.0), SIDE)
    draw_directly(other, evenly(1.0), SIDE, aperture, wire, seed=2)
    left, right, middle = tifffile.imread(one), tifffile.imread(other), SIDE // 2
    tifffile.imwrite(both, np.concatenate([left[:, :middle], right[:, :middle]], axis=1))
    with pytest.raises((RefusedImageError, NominalMismatchError)):
        measured(both)


@functools.cache
def nearly_even(aperture: float) -> Callable[[list[np.ndarray], int], None]:
    def woven(gaps: list[np.ndarray], _: int) -> None:
        for gap in gaps:
            gap[:] = aperture + 0.1 * (gap - aperture)

    return woven


@pytest.mark.parametrize(("aperture", "wire", "sigma"), [(8, 5, 0.7), (8, 5, 1.0), (10, 6, 1.4)])
@pytest.mark.parametrize("seed", others_long([1, 2]))
def test_edges_at_equal_places_between_pixels_do_not_decide_the_encoding(
    measured: Callable[..., Measurement],
    tmp_path: Path,
    aperture: int,
    wire: int,
    sigma: float,
    seed: int,
) -> None:
    """A pitch of whole pixels, not rotated: the wrong encoding fits as well, 0.7 to 2 px off."""
    path = tmp_path / "scan.tif"
    truth = draw_directly(
        path,
        evenly(sigma),
        side=480,
        aperture=float(aperture),
        wire=float(wire),
        woven=nearly_even(float(aperture)),
        turned=0.0,
        seed=seed,
    )
    measurement = measured(path, aperture)
    found, ok = errors(measurement, truth)
    assert measurement.pictures[0].encoding == "srgb"
    for error in found.error:
        assert abs(error[ok].mean()) < 0.05


def test_a_negative_without_tags_carries_no_verdict(
    measured: Callable[..., Measurement], tmp_path: Path
) -> None:
    path = tmp_path / "scan.tif"
    draw_directly(path, evenly(1.0), SIDE, stored=negative)
    measurement = measured(path)
    assert measurement.fit == "indicative"
    assert "negative" in " ".join(measurement.fit_reasons)


def test_places_on_the_frame_do_not_count_as_cloth(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """So a ring narrower than an opening and a half does not hide that all of the cloth is seen."""
    monkeypatch.setattr(scan_light, "HELD_UP_TO", 0)
    path = tmp_path / "round.tif"
    drawn = RoundCloth(1500)
    truth = draw_round(drawn, path)
    scale = scale_from_text("25")  # 37 mm
    measurement = measure([path], nominal_um=375.0, scale=scale)
    field = measurement.pictures[0].field
    out = np.hypot(*(field.centre - 749.5).T) > drawn.radius + drawn.aperture
    assert not out.any()
    assert whole_cloth([field], scale) == pytest.approx(len(truth.x), rel=0.02)
