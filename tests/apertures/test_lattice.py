"""The lattice: pitch, angle and index against the drawing and an independent transform."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.fft

from located import located
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.lattice.places import expected_places
from sieve_inspect.synthetic import Cloth, Light, render_light
from weave_draw import UM, matched, scanned


def fft_pitch(image: np.ndarray) -> float:
    """Pitch (px) of the strongest wave nearest the horizontal: an independent way to it.

    Windowed, padded to 4096 px, so that a step of frequency is far below what is asked for.
    """
    grey = image - image.mean()
    window = np.hanning(grey.shape[0])[:, None] * np.hanning(grey.shape[1])[None, :]
    power = np.abs(scipy.fft.rfft2(grey * window, s=(4096, 4096)))
    fy, fx = scipy.fft.fftfreq(4096)[:, None], scipy.fft.rfftfreq(4096)[None, :]
    allowed = (fx > np.abs(fy)) & (np.hypot(fx, fy) > 0.02)
    row, column = np.unravel_index(np.argmax(np.where(allowed, power, 0)), power.shape)
    return float(1 / np.hypot(fx[0, column], fy[row, 0]))


@pytest.mark.parametrize(("aperture", "turn"), [(10.0, 2.0), (24.0, -7.0)])
def test_pitch_agrees_with_scipy_and_the_drawing(
    tmp_path: Path, aperture: float, turn: float
) -> None:
    cloth = Cloth(aperture, 0.6 * aperture + 0.31, rotation_deg=turn, seed=1)
    measurement, _, _ = scanned(tmp_path, cloth, shape=(400, 520))
    pitch = [d.pitch_um / UM for d in measurement.directions]
    assert pitch == pytest.approx([1.6 * aperture + 0.31] * 2, rel=5e-4)
    light, _ = render_light(cloth, shape=(400, 520))
    assert pitch[0] == pytest.approx(fft_pitch(light), rel=3e-3)


@pytest.mark.parametrize("turn", [0.4, 9.7, 31.3, -22.5])
def test_angle_within_two_hundredths_of_a_degree(tmp_path: Path, turn: float) -> None:
    measurement, truth, _ = scanned(
        tmp_path, Cloth(12.4, 7.9, sd_px=0.3, rotation_deg=turn, seed=2), shape=(320, 420)
    )
    assert measurement.to_dict()["angle_deg"] == pytest.approx(truth.angle_deg, abs=0.02)


@pytest.mark.parametrize("turn", [3.0, 28.0, 64.0])
def test_every_opening_has_its_row_and_column(tmp_path: Path, turn: float) -> None:
    _, truth, seen = scanned(
        tmp_path, Cloth(11.2, 7.3, sd_px=1.2, rotation_deg=turn, skew_deg=1.5, seed=3)
    )
    true, here = matched(truth, seen)
    shift = seen.index[here] - np.stack([truth.row[true], truth.col[true]], axis=1)
    assert len(here) > 100
    assert (shift == shift[0]).all()


def test_rows_and_columns_are_used_once(tmp_path: Path) -> None:
    _, _, seen = scanned(tmp_path, Cloth(11.2, 7.3, sd_px=1.0, rotation_deg=40, seed=4))
    assert len(np.unique(seen.index, axis=0)) == len(seen.index)


def test_openings_are_distinguished_from_wires_in_both_kinds_of_light() -> None:
    cloth = Cloth(13.0, 8.0, rotation_deg=6, seed=5)
    for light, bright in ((Light(), True), (Light.reversed(), False)):
        level, _ = render_light(cloth, shape=(240, 300), light=light)
        assert located(level).bright is bright


def test_noise_has_no_lattice() -> None:
    level = np.random.default_rng(0).normal(0.5, 0.1, (240, 300))
    with pytest.raises(NoLatticeError, match="no regular crossing pattern"):
        located(level)


def test_a_place_with_no_sound_opening_in_its_row_lies_beside_the_next_row() -> None:
    """The smooth map through all openings cannot follow such a wave; a row's neighbour does."""
    row, column = (i.ravel() for i in np.mgrid[:60, :60])
    place = np.stack([24.0 * column, 24.0 * row + 9 * np.sin(column / 4)], axis=1)
    lost = (row == 0) & (column > 15) & (column < 45)
    wanted = np.flatnonzero(lost & (column > 22) & (column < 38))
    found = expected_places(row, column, place, ~lost, wanted)
    assert np.hypot(*(found - place[wanted]).T).max() < 3
