"""Difficult scans: edges bent by other causes than blur must not give a confident wrong width."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from sieve_inspect.errors import RefusedImageError
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Ring, Sensor, Truth, render_light
from sieve_inspect.synthetic.sensor import expose
from weave_draw import errors, measured, openings, scanned, states

CLOTH = Cloth(14.137, 9.17, sd_px=0.4, rotation_deg=3, seed=71)
SHAPE = (360, 460)


@functools.cache
def drawn_light(cloth: Cloth = CLOTH, light: Light | None = None) -> tuple[np.ndarray, Truth]:
    """Light and truth, drawn once; a test that alters the light works on a copy."""
    drawn, truth = render_light(cloth, Optics("gaussian", 0.7), SHAPE, light=light)
    drawn.flags.writeable = False
    return drawn, truth


def kept(level: np.ndarray, path: Path, **options: Any) -> Path:
    Image.fromarray(expose(level, Sensor(noise=0.01, seed=1))).save(path, **options)
    return path


def own_part(measurement: Measurement, name: str) -> float:
    """Standard uncertainty (px) of the mean in a direction, but for sampling."""
    lines = [c for c in measurement.budget if c.of == "mean" and c.name != "sampling"]
    return math.sqrt(sum(c.value_um**2 for c in lines if c.direction == name)) / 10


@pytest.mark.parametrize("quality", [25, 50, 75])
def test_coarse_jpeg_is_read_as_srgb_and_is_in_the_budget(tmp_path: Path, quality: int) -> None:
    """Its ringing bends edges; read as linear light all would be 0.7 px too wide."""
    light, truth = drawn_light()
    path = kept(light, tmp_path / "scan.jpg", quality=quality)
    found = measured(path, 14.137)
    assert found.pictures[0].encoding == "srgb"
    off = errors(truth, openings(found)).mean(axis=0)
    for axis, name in enumerate("xy"):
        assert abs(off[axis]) < 2.2 * own_part(found, name)
    assert {c.direction for c in found.budget if c.name == "JPEG"} == {"x", "y"}


def test_a_png_has_no_budget_line_for_jpeg(tmp_path: Path) -> None:
    light, _ = drawn_light()
    found = measured(kept(light, tmp_path / "scan.png"), 14.137)
    assert not [c for c in found.budget if c.name == "JPEG"]


def test_focus_that_varies_over_the_field(tmp_path: Path) -> None:
    """Twice as blurred on one side as on the other: widths on both sides are right."""
    light, truth = drawn_light()
    share = np.linspace(0, 1, SHAPE[1])[None, :]
    level = light * (1 - share) + gaussian_filter(light, 1.1) * share
    found = measured(kept(level, tmp_path / "scan.png"), 14.137)
    seen = openings(found)
    off = errors(truth, seen)
    side = seen.place[seen.ok][:, 0] / SHAPE[1]
    for near in (side < 0.25, side > 0.75):
        assert np.abs(off[near].mean(axis=0)).max() < 0.03
    assert np.abs(off.std(axis=0)).max() < 0.03
    for axis, direction in enumerate(found.directions):
        real = (truth.width_x_px, truth.width_y_px)[axis][truth.complete].max()
        assert direction.max_um / 10 == pytest.approx(real, abs=0.1)


def test_highlights_on_wires_lit_from_above_are_refused(tmp_path: Path) -> None:
    """A bright line along each wire: its edges are not those of the wire, and look like blur."""
    light, _ = drawn_light(light=Light.reversed(0.05, 0.45))
    thin = replace(CLOTH, aperture_px=CLOTH.aperture_px + 6.5, wire_px=CLOTH.wire_px - 6.5)
    shine, _ = drawn_light(thin, Light.reversed(0.0, 0.4))
    path = kept(light + shine, tmp_path / "scan.png")
    with pytest.raises(RefusedImageError, match="from behind"):
        measured(path, 17.4)  # what the highlights' edges would make it


def test_a_black_point_above_the_wires_widens_the_budget(tmp_path: Path) -> None:
    """A scanner's black point above the wires hides the foot of every edge."""
    light, truth = drawn_light(light=Light(0.8, 0.0))
    found = measured(kept(light - 0.04, tmp_path / "scan.png"), 14.137)
    off = errors(truth, openings(found)).mean(axis=0)
    for axis, name in enumerate("xy"):
        assert abs(off[axis]) < 2 * own_part(found, name)


@pytest.mark.parametrize(
    "change",
    [
        {"ring": Ring(260, 40, centre_px=(60.0, 40.0))},
        {"ring": Ring(150, 25, level=0.80)},
        {"skew_deg": 2.0, "stretch_y": 1.03, "rotation_deg": 47.0},
        {"along_sd_px": 0.5, "wire_sd_px": 0.6, "comb_px": 0.9},
    ],
    ids=["ring at a corner", "ring as bright as openings", "skewed and stretched", "uneven"],
)
def test_cloth_and_frames_of_all_kinds(tmp_path: Path, change: dict[str, Any]) -> None:
    cloth = replace(CLOTH, **change)
    light, truth = drawn_light(cloth)
    stretched = cloth.stretch_y != 1.0
    seen = openings(measured(kept(light, tmp_path / "scan.png"), 14.137))
    state = states(truth, seen)
    assert (state[truth.sound] == "ok").mean() >= 0.94
    assert not np.isin(state[truth.sound], ("torn", "blocked")).any()
    if not stretched:  # the helper knows one scale for both
        assert np.abs(errors(truth, seen).mean(axis=0)).max() < 0.01


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_small_openings_with_all_kinds_of_damage(tmp_path: Path, seed: int) -> None:
    """Every torn wire and every particle; nothing else, least of all beside a displaced wire."""
    damage = Damage(
        blocked=25, dust=10, missing=2, missing_length=2, broken=3, displaced=3, displaced_px=2.5
    )
    cloth = Cloth(8.137, 5.2, sd_px=0.24, rotation_deg=4, seed=seed, damage=damage)
    _, truth, seen = scanned(tmp_path, cloth, shape=(420, 560), sensor=Sensor(0.01, seed=seed))
    state = states(truth, seen)
    assert (state[truth.complete & (truth.state == "torn")] == "torn").all()
    assert (state[truth.complete & (truth.state == "blocked")] == "blocked").mean() >= 0.97
    assert not np.isin(state[truth.sound], ("torn", "blocked")).any()


def test_openings_beside_a_wire_missing_along_the_rim_are_torn_on_both_sides(
    tmp_path: Path,
) -> None:
    """The outermost row has no other row behind it to tell where its openings are."""
    damage = Damage(missing=5, missing_length=3)
    for seed in (5, 7):
        cloth = replace(CLOTH, damage=damage, seed=seed)
        _, truth, seen = scanned(tmp_path, cloth, shape=SHAPE, sensor=Sensor(0.01, seed=seed))
        state = states(truth, seen)
        torn = truth.complete & (truth.state == "torn")
        assert torn.sum() >= 20
        assert (state[torn] == "torn").mean() >= 0.95
