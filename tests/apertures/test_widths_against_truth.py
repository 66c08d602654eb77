"""Widths against the drawing's truth: clean scans, shapes of blur, light, encoding."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from sieve_inspect.synthetic import Cloth, Light, Optics, Sensor, Truth
from weave_draw import Openings, errors, scanned, states


def held(truth: Truth, seen: Openings, mean: float, spread: float) -> None:
    error = errors(truth, seen)
    assert np.abs(error.mean(axis=0)).max() <= mean, error.mean(axis=0)
    assert error.std(axis=0).max() <= spread, error.std(axis=0)
    state = states(truth, seen)
    sound = truth.sound
    assert (state[sound] == "ok").mean() >= 0.97
    assert not np.isin(state[sound], ("blocked", "torn")).any()
    assert truth.complete[state == "ok"].all()  # none where there is no whole aperture


@pytest.mark.parametrize(
    ("aperture", "mean", "spread"),
    [(7, 0.03, 0.04), (10, 0.015, 0.02), (14, 0.015, 0.02), (28, 0.015, 0.02), (48, 0.015, 0.02)],
)
def test_clean_scans(tmp_path: Path, aperture: int, mean: float, spread: float) -> None:
    """A blur of 1 px, 8 bits: mean within 0.015 px, s at most 0.02 px (0.03, 0.04 at 7 px)."""
    cloth = Cloth(aperture + 0.21, 0.62 * aperture, sd_px=0.03 * aperture, rotation_deg=4, seed=11)
    shape = (600, 760) if aperture > 30 else (300, 380)
    shape = (200, 260) if aperture <= 10 else shape
    _, truth, seen = scanned(tmp_path, cloth, shape=shape)
    held(truth, seen, mean, spread)


@pytest.mark.parametrize(
    "optics",
    [
        Optics("disc", 1.8),
        Optics("smear", 1.2, core_px=0.7),
        Optics("glare", 5.0, share=0.12, core_px=0.9),
        Optics("halo", 1.2, share=0.5, core_px=0.8),
    ],
    ids=lambda optics: optics.kind,
)
def test_shapes_of_blur(tmp_path: Path, optics: Optics) -> None:
    """Far from Gaussian: the mean within 0.04 px."""
    cloth = Cloth(14.3, 9.1, sd_px=0.4, rotation_deg=17, seed=12)
    _, truth, seen = scanned(tmp_path, cloth, optics=optics)
    held(truth, seen, 0.04, 0.03)


def test_irregular_cloth_loses_no_gap(tmp_path: Path) -> None:
    cloth = Cloth(14.0, 9.0, sd_px=0.12 * 14, rotation_deg=3, seed=324)
    _, truth, seen = scanned(tmp_path, cloth, shape=(520, 680), sensor=Sensor(noise=0.01, seed=2))
    state = states(truth, seen)
    for gap in np.unique(truth.col[truth.sound]):
        of_gap = truth.sound & (truth.col == gap)
        if of_gap.sum() > 5:
            assert (state[of_gap] == "ok").mean() > 0.7, f"gap {gap}"


def test_light_from_above(tmp_path: Path) -> None:
    cloth = Cloth(14.3, 9.1, sd_px=0.4, rotation_deg=5, seed=13)
    _, truth, seen = scanned(tmp_path, cloth, light=Light.reversed())
    held(truth, seen, 0.02, 0.03)


def test_openings_beyond_the_sensors_range(tmp_path: Path) -> None:
    cloth = Cloth(14.3, 9.1, sd_px=0.4, rotation_deg=5, seed=14)
    _, truth, seen = scanned(
        tmp_path,
        cloth,
        light=Light(open_level=0.9),
        sensor=Sensor(noise=0.01, gain=1.3, seed=3),
    )
    held(truth, seen, 0.02, 0.03)


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
@pytest.mark.parametrize("bits", [8, 16])
def test_the_edges_decide_the_encoding_of_a_file_without_tags(
    tmp_path: Path, encoding: Literal["srgb", "linear"], bits: int
) -> None:
    """The wrong curve makes an aperture some 0.8 px too wide; no depth shows which it is."""
    sensor = Sensor(noise=0.005, bits=bits, encoding=encoding, seed=4)
    measurement, truth, seen = scanned(
        tmp_path, Cloth(13.3, 8.6, sd_px=0.3, rotation_deg=8, seed=15), sensor=sensor
    )
    image = measurement.to_dict()["images"][0]
    assert image["encoding"] == encoding, image["encoding_reason"]
    held(truth, seen, 0.02, 0.03)


def test_the_uneven_comb_is_measured(tmp_path: Path) -> None:
    cloth = Cloth(14.0, 9.0, comb_px=0.8, comb_y_px=0.3, rotation_deg=3, seed=16)
    measurement, _, _ = scanned(tmp_path, cloth)
    assert [d.odd_even_um / 10 for d in measurement.directions] == pytest.approx(
        [0.8, 0.3], abs=0.03
    )
