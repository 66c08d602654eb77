"""Matter in openings, missing wires, and pictures that must be refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from sieve_inspect.errors import NoLatticeError, RefusedImageError
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.synthetic import Cloth, Damage, Ring, Sensor, Truth, render
from sieve_inspect.validation import patterns
from weave_draw import Openings, errors, measured, openings, scanned, states

CLOTH = Cloth(14.2, 9.1, sd_px=0.4, rotation_deg=4, seed=31)
SHAPE = (400, 500)


def measured_states(
    tmp_path: Path, damage: Damage, **cloth: Any
) -> tuple[Measurement, Truth, Openings, np.ndarray]:
    measurement, truth, seen = scanned(
        tmp_path,
        replace(CLOTH, damage=damage, **cloth),
        shape=SHAPE,
        sensor=Sensor(noise=0.01, seed=31),
    )
    return measurement, truth, seen, states(truth, seen)


@pytest.fixture(scope="module")
def blocked(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Measurement, Truth, Openings, np.ndarray]:
    """Cloth with thirty blocked openings."""
    return measured_states(tmp_path_factory.mktemp("blocked"), Damage(blocked=30))


def test_blocked_openings_and_no_others_are_blocked(
    blocked: tuple[Measurement, Truth, Openings, np.ndarray],
) -> None:
    _, truth, _, state = blocked
    inner = _away_from_border(truth, 25)
    filled = truth.state == "blocked"
    assert (state[filled & inner] == "blocked").mean() >= 0.97
    assert not (state[truth.sound] == "blocked").any()


def test_a_clogged_cloth_is_blocked_right_across(tmp_path: Path) -> None:
    """Blocked openings that hang together up to the border are not the frame around a cloth."""
    drawn = render(CLOTH, sensor=Sensor(noise=0.01, seed=31), shape=SHAPE)
    rng = np.random.default_rng(7)
    image, truth = drawn.image.copy(), drawn.truth
    filled = rng.uniform(size=len(truth.x_px)) < 0.55
    y, x = np.indices(SHAPE)
    for left, top in zip(truth.x_px[filled], truth.y_px[filled], strict=True):
        grain = np.hypot(x - left, y - top) < 6.5
        image[grain] = rng.normal(45, 2, int(grain.sum()))
    Image.fromarray(image).save(tmp_path / "clogged.png")
    seen = openings(measured(tmp_path / "clogged.png", CLOTH.aperture_px))
    state = states(truth, seen)[filled & _away_from_border(truth, 60)]
    assert len(state) > 90
    assert (
        state == "blocked"
    ).mean() >= 0.9  # the last places of rows that end blocked remain open


def test_the_blocked_share_agrees_with_the_drawing(
    blocked: tuple[Measurement, Truth, Openings, np.ndarray],
) -> None:
    measurement, truth, _, _ = blocked
    covered = truth.blocked_share[truth.complete].mean()
    assert measurement.blocked_share == pytest.approx(covered, rel=0.15)


def test_a_blocked_opening_is_not_torn(tmp_path: Path) -> None:
    """A particle is taken out again; a torn cloth is retired."""
    for seed in (54, 55):
        _, truth, _, state = measured_states(tmp_path, Damage(blocked=50), seed=seed)
        assert not (state[truth.complete] == "torn").any()


def test_blocked_openings_beside_the_border_are_blocked(tmp_path: Path) -> None:
    found = []
    for seed in (41, 42):
        _, truth, _, state = measured_states(tmp_path, Damage(blocked=60), seed=seed)
        rim = truth.complete & ~_away_from_border(truth, 25)
        found += list(state[(truth.state == "blocked") & rim] == "blocked")
    assert len(found) >= 5
    assert np.mean(found) >= 0.9


def _away_from_border(truth: Truth, px: float) -> np.ndarray:
    x, y = truth.x_px, truth.y_px
    return (x > px) & (y > px) & (x < SHAPE[1] - px) & (y < SHAPE[0] - px)


def test_openings_beside_missing_wires_are_torn(tmp_path: Path) -> None:
    measurement, truth, _, state = measured_states(
        tmp_path, Damage(missing=4, missing_length=2), seed=32
    )
    torn = truth.complete & (truth.state == "torn")
    assert torn.sum() >= 12
    assert (state[torn & _away_from_border(truth, 60)] == "torn").mean() >= 0.8
    assert measurement.to_dict()["apertures"]["torn"] >= 8
    assert (state[truth.sound] == "torn").mean() <= 0.003


def test_a_broken_wire_is_torn(tmp_path: Path) -> None:
    """A wire with a gap at mid-position lets oversize particles through."""
    _, truth, _, state = measured_states(tmp_path, Damage(broken=5), seed=33)
    torn = truth.complete & (truth.state == "torn")
    assert torn.sum() >= 8
    assert (state[torn] == "torn").mean() >= 0.8


def test_widths_beside_dust_and_fibres_are_not_used(tmp_path: Path) -> None:
    _, truth, seen, state = measured_states(tmp_path, Damage(dust=60, fibres=2), seed=34)
    assert truth.touched.sum() > 20
    assert np.abs(errors(truth, seen)).max() < 0.15  # five s of a sound one and a little
    assert (state[truth.sound] == "ok").mean() >= 0.97


def test_the_largest_opening_lies_beside_a_displaced_wire(tmp_path: Path) -> None:
    measurement, truth, _, _ = measured_states(
        tmp_path, Damage(displaced=3, displaced_px=4, dust=20), seed=35
    )
    real = [w[truth.sound].max() for w in (truth.width_x_px, truth.width_y_px)]
    found = [d.max_um / 10 for d in measurement.directions]
    assert found == pytest.approx(real, abs=0.3)


def test_openings_cut_by_the_border_are_partial_and_left_out(tmp_path: Path) -> None:
    measurement, truth, seen, state = measured_states(tmp_path, Damage())
    assert set(state[~truth.complete]) <= {"partial", "unclear", ""}
    assert measurement.directions[0].count == (seen.state == "ok").sum()


def test_the_frames_ring_leaves_no_damage(tmp_path: Path) -> None:
    """A bright ring beside the outermost openings is no missing wire."""
    cloth = Cloth(14.1, 9.2, sd_px=0.4, rotation_deg=12, seed=600, ring=Ring(190, 30))
    _, truth, seen = scanned(tmp_path, cloth, shape=(480, 500), sensor=Sensor(noise=0.01, seed=14))
    state = states(truth, seen)
    assert not np.isin(state[truth.sound], ("torn", "blocked")).any()
    assert truth.complete[state == "ok"].all()
    assert (state[truth.sound] == "ok").mean() >= 0.95
    far = np.hypot(seen.place[:, 0] - 249.5, seen.place[:, 1] - 239.5) > 190
    assert not (seen.ok & far).any()


@pytest.mark.parametrize("by", [2, 5])
def test_a_scan_that_stepped_aside_is_refused(tmp_path: Path, by: int) -> None:
    with pytest.raises(RefusedImageError, match="steps aside"):
        measured(_drawn(tmp_path, patterns.stepped(by)), 14)


def test_two_meshes_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedImageError, match="more than one regular pattern"):
        measured(_drawn(tmp_path, patterns.two_meshes()), 14)


@pytest.mark.parametrize(
    "pattern",
    [
        patterns.round_holes,
        patterns.triangular_net,
        patterns.expanded_metal,
        patterns.knitted,
        patterns.bunched_threads,
        patterns.text_like,
        patterns.plain,
        patterns.white_noise,
    ],
    ids=lambda pattern: pattern.__name__,
)
def test_other_patterns_than_woven_square_mesh_are_refused(
    tmp_path: Path, pattern: Callable[..., np.ndarray]
) -> None:
    with pytest.raises((NoLatticeError, RefusedImageError)) as caught:
        measured(_drawn(tmp_path, pattern()), 14)
    assert "scan.png" in str(caught.value)


def _drawn(tmp_path: Path, light: np.ndarray) -> Path:
    from sieve_inspect.synthetic.sensor import expose

    path = tmp_path / "scan.png"
    Image.fromarray(expose(light, Sensor(noise=0.01, seed=1))).save(path)
    return path


def test_saturated_pixels_do_not_look_like_damage(tmp_path: Path) -> None:
    drawn = render(CLOTH, None, Sensor(noise=0.01, gain=1.5, seed=5), (220, 300))
    path = tmp_path / "bright.png"
    Image.fromarray(drawn.image).save(path)
    seen = openings(measured(path, CLOTH.aperture_px))
    assert not np.isin(seen.state, ("blocked", "torn")).any()
