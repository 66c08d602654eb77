"""One opening looked at closely, against drawn cloth whose edges are known from the drawing."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from present import present
from sieve_inspect.measurement.closeup import Closeup, closeup, cut_out, part_of, tone_of
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale.model import Scale
from sieve_inspect.synthetic import Cloth, Damage, Sensor, render, save
from sieve_inspect.synthetic.truth import Truth
from sieve_registry.bench import pyramid

NOISE = 0.01
SCALE = Scale(10.0, 10.0, 0.0, 0.0, 0.0, "of the drawing")


@pytest.fixture(scope="module", params=["at once", "in bands"])
def drawn(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Truth, Measurement, Picture]:
    """A drawn cloth turned by 7 degrees with some openings blocked; what was measured in it.

    Once read whole, once in bands as large scans are.
    """
    in_bands = request.param == "in bands"
    shape = (1300, 1500) if in_bands else (340, 440)
    cloth = Cloth(15.0, 10.0, sd_px=0.4, rotation_deg=7, seed=81, damage=Damage(blocked=12))
    made = render(cloth, sensor=Sensor(noise=NOISE, seed=81), shape=shape)
    path = tmp_path_factory.mktemp("cloth") / "cloth.png"
    save(made, path)
    with pytest.MonkeyPatch.context() as patch:
        if in_bands:
            patch.setattr("sieve_inspect.image.light.HELD_UP_TO", 0)
        measurement = measure([path], nominal_um=150, scale=SCALE)
    return made.truth, measurement, measurement.pictures[0]


def _some(picture: Picture) -> npt.NDArray[np.int64]:
    which = np.flatnonzero(picture.field.ok)
    return which[:: max(1, len(which) // 100)]


@pytest.fixture(scope="module")
def seen(
    drawn: tuple[Truth, Measurement, Picture],
) -> list[tuple[Closeup, npt.NDArray[np.float64]]]:
    """Some hundred sound openings with their true widths (x, y) in um."""
    truth, measurement, picture = drawn
    pairs = []
    for index in _some(picture):
        close = closeup(picture, measurement.scale, int(index))
        away = np.hypot(truth.x_px - close.middle[0], truth.y_px - close.middle[1])
        nearest = int(np.argmin(away))
        assert away[nearest] < 2
        widths = (truth.width_x_px[nearest], truth.width_y_px[nearest])
        pairs.append((close, 10 * np.array(widths)))
    return pairs


def test_the_width_is_the_one_measured(
    drawn: tuple[Truth, Measurement, Picture], seen: list[tuple[Closeup, npt.NDArray[np.float64]]]
) -> None:
    _, _, picture = drawn
    for close, _ in seen:
        for across, sample in zip(close.across, picture.samples, strict=True):
            assert across.width_um == pytest.approx(float(sample.width[close.index]))
            left, right = present(across.edges)
            assert right - left == pytest.approx(across.width_px)
            assert left + right == pytest.approx(0, abs=0.01)  # the middle is its zero


def test_its_uncertainty_holds_the_truth(
    seen: list[tuple[Closeup, npt.NDArray[np.float64]]],
) -> None:
    """U (k = 2) is to hold some 95 % of the true widths; fewer than 90 % of 200 would be chance."""
    within = [
        abs(across.width_um - true) <= across.expanded_um
        for close, widths in seen
        for across, true in zip(close.across, widths, strict=True)
    ]
    assert len(within) > 100
    assert np.mean(within) >= 0.9


def test_the_curve_goes_through_the_pixels(
    seen: list[tuple[Closeup, npt.NDArray[np.float64]]],
) -> None:
    """What is drawn as fitted is what fitted: no further off than the pixels' own noise.

    Looked at within 2 px of the opening's edges: beyond, a neighbour may be blocked.
    """
    for close, _ in seen:
        for across in close.across:
            at = np.interp(across.distance, across.model_at, across.model)
            own = np.abs(across.distance) < present(across.width_px) / 2 + 2
            assert np.sqrt(np.mean((across.light - at)[own] ** 2)) < 1.5 * NOISE


def test_an_opening_that_is_not_sound_is_explained(
    drawn: tuple[Truth, Measurement, Picture],
) -> None:
    _, measurement, picture = drawn
    index = int(np.flatnonzero(picture.field.state == "blocked")[0])
    close = closeup(picture, measurement.scale, index)
    assert close.state == "blocked"
    assert "filled" in close.flags
    with pytest.raises(IndexError):
        closeup(picture, measurement.scale, len(picture.field.row))


def test_the_cut_out_shows_the_opening_at_its_place(
    drawn: tuple[Truth, Measurement, Picture], seen: list[tuple[Closeup, npt.NDArray[np.float64]]]
) -> None:
    _, _, picture = drawn
    tone = tone_of(picture.light)
    for close, _ in seen[::10]:
        cut = cut_out(picture, tone, close.index, 300)
        shown = np.asarray(Image.open(io.BytesIO(cut.png)))
        assert shown.shape == (cut.height, cut.width)
        x, y = close.middle
        column = round((x + 0.5 - cut.left) * cut.factor)
        row = round((y + 0.5 - cut.top) * cut.factor)
        wire = round(12.5 * cut.factor)  # half a pitch aside the wires cross
        assert shown[row, column] > 200
        assert shown[:, max(column - wire, 0)].min() < 100


@pytest.mark.parametrize("level", [0, 1, 2, 3])
def test_pieces_of_every_magnification_make_up_the_scan(
    drawn: tuple[Truth, Measurement, Picture], monkeypatch: pytest.MonkeyPatch, level: int
) -> None:
    """Also where the view of the whole is a fifth of the scan, as with large ones."""
    _, _, picture = drawn
    monkeypatch.setattr(pyramid, "TILE", 64)
    monkeypatch.setattr("sieve_inspect.image.light._LARGEST", 300)
    shown = pyramid.ScanPyramid(picture)
    assert shown.levels >= 3
    full = shown.tone(part_of(picture, 0, 0, shown.width, shown.height))
    span, got, wanted = 64 << level, [], []
    for top in range(0, shown.height, span):
        for left in range(0, shown.width, span):
            piece = Image.open(io.BytesIO(present(shown.tile(level, left // span, top // span))))
            part = Image.fromarray(full[top : top + span, left : left + span])
            wanted.append(np.asarray(part.resize(piece.size, Image.Resampling.BOX)).ravel())
            got.append(np.asarray(piece).ravel())
    # Halving drops an odd row or column, so a piece may be off by part of one of its own px;
    # a mesh of 3 px, as at level 3, feels that.
    alike = np.corrcoef(np.concatenate(got), np.concatenate(wanted))[0, 1]
    assert alike > (0.85 if level == 3 else 0.95)
    assert shown.tile(level, 99, 0) is None
    assert shown.tile(shown.levels + 1, 0, 0) is None
