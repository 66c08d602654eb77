"""Damage is where the truth says it is, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Truth, render_light

UNIT = Light(open_level=1.0, wire_level=0.0)
SHARP = Optics("none")
SHAPE = (400, 500)
SOUND = Cloth(14.0, 9.0, sd_px=0.3, rotation_deg=6, seed=11)


def _both(damage: Damage) -> tuple[np.ndarray, np.ndarray, Truth]:
    sound, _ = render_light(SOUND, SHARP, SHAPE, light=UNIT)
    light, truth = render_light(replace(SOUND, damage=damage), SHARP, SHAPE, light=UNIT)
    return sound, light, truth


def _within(truth: Truth, where: np.ndarray, reach: float) -> np.ndarray:
    """Pixels within `reach` of the middles of the apertures picked."""
    y, x = np.indices(SHAPE)
    near = np.zeros(SHAPE, bool)
    for cx, cy in zip(truth.x_px[where], truth.y_px[where], strict=True):
        near |= np.hypot(x - cx, y - cy) < reach
    return near


def test_blocked_apertures_lose_the_share_in_the_truth() -> None:
    sound, light, truth = _both(Damage(blocked=25))
    blocked = truth.state == "blocked"
    assert blocked.sum() == 25
    assert np.all(truth.blocked_share[blocked] >= 0.27)
    assert np.all(truth.blocked_share[blocked] <= 1.0)
    assert np.ptp(truth.blocked_share[blocked]) > 0.4
    for index in np.flatnonzero(blocked):
        near = _within(truth, np.arange(len(truth)) == index, 14.5)
        lost = (sound - light)[near].sum()
        area = truth.width_x_px[index] * truth.width_y_px[index]
        assert lost / area == pytest.approx(truth.blocked_share[index], abs=0.02)
    assert np.all(light <= sound + 1e-6)
    outside = ~_within(truth, truth.blocked_share > 0, 16)
    np.testing.assert_allclose(light[outside], sound[outside], atol=1e-6)


def test_a_full_block_is_dark() -> None:
    _, light, truth = _both(Damage(blocked=5, blocked_share=(1.0, 1.0)))
    blocked = np.flatnonzero(truth.state == "blocked")
    assert len(blocked) == 5
    for index in blocked:
        assert light[_within(truth, np.arange(len(truth)) == index, 8)].max() < 0.1
        assert truth.blocked_share[index] > 0.99


@pytest.mark.parametrize("length", [1, 3])
def test_a_missing_wire_joins_the_apertures_on_both_sides(length: int) -> None:
    sound, light, truth = _both(Damage(missing=4, missing_length=length))
    torn = truth.state == "torn"
    assert torn.sum() == 4 * 2 * length
    gained = light - sound
    assert gained.min() > -1e-6
    assert gained.max() > 0.99
    labels, count = ndimage.label(light > 0.5)
    _, before = ndimage.label(sound > 0.5)
    assert count == before - 4 * length
    here = labels[np.rint(truth.y_px[torn]).astype(int), np.rint(truth.x_px[torn]).astype(int)]
    assert len(set(here.tolist())) == 4 * length
    assert gained[~_within(truth, torn, 20)].max() < 1e-6
    # 4 pieces of wire, each as wide as a wire and as long as the apertures beside it
    assert gained.sum() == pytest.approx(4 * length * 9 * 14, rel=0.03)


def test_a_broken_wire_opens_a_short_piece() -> None:
    sound, light, truth = _both(Damage(broken=5))
    assert (truth.state == "torn").sum() == 10
    gained = (light - sound).sum()
    assert 5 * 9 * 14 * 0.3 < gained < 5 * 9 * 14 * 0.6
    _, count = ndimage.label(light > 0.5)
    _, before = ndimage.label(sound > 0.5)
    assert count == before - 5


@pytest.mark.parametrize("push", [2.5, 7.0])
def test_a_displaced_wire_widens_one_side_and_narrows_the_other(push: float) -> None:
    damage = Damage(displaced=3, displaced_px=push, displaced_length=5)
    sound, light, truth = _both(damage)
    _, before = render_light(SOUND, SHARP, SHAPE, light=UNIT)
    dx, dy = truth.width_x_px - before.width_x_px, truth.width_y_px - before.width_y_px
    moved = (np.abs(dx) > 1e-9) | (np.abs(dy) > 1e-9)
    assert np.all(truth.displaced[moved])
    assert truth.displaced.sum() == 3 * 2 * 5
    assert max(dx.max(), dy.max()) == pytest.approx(push, rel=1e-6)
    assert abs((dx + dy).sum()) < 1e-6
    assert abs((light - sound).sum()) < 20  # the wire is as wide as before
    picked = np.flatnonzero(truth.displaced & truth.complete)
    values = ndimage.map_coordinates(light, [truth.y_px[picked], truth.x_px[picked]], order=1)
    wide = np.minimum(truth.width_x_px, truth.width_y_px)[picked] > 3
    assert values[wide].min() > 0.99


def test_dust_and_fibres_touch_what_they_darken() -> None:
    sound, light, truth = _both(Damage(dust=40, fibres=2))
    changed = np.abs(light - sound) > 0.02
    assert changed.any()
    assert np.all(_within(truth, truth.touched, 14)[changed])
    assert set(truth.state) == {"ok", "partial"}
    assert np.all(truth.blocked_share[truth.touched] > 0)
    assert np.all(truth.blocked_share[~truth.touched] == 0)
    assert 5 < truth.touched.sum() < 120


def test_sound_leaves_out_everything_damaged() -> None:
    damage = Damage(blocked=5, dust=10, missing=2)
    _, _, truth = _both(damage)
    assert np.all(truth.state[truth.sound] == "ok")
    assert np.all(truth.complete[truth.sound])
    assert not truth.touched[truth.sound].any()


def test_more_faults_than_room_stop_quietly() -> None:
    cloth = Cloth(14.0, 9.0, damage=Damage(blocked=500))
    _, truth = render_light(cloth, SHARP, (60, 60), light=UNIT)
    assert 0 < (truth.state == "blocked").sum() <= len(truth)


def test_faults_move_with_the_seed() -> None:
    cloth = replace(SOUND, damage=Damage(blocked=5))
    _, one = render_light(cloth, SHARP, SHAPE)
    _, two = render_light(replace(cloth, seed=12), SHARP, SHAPE)
    spots = [list(t.x_px[t.state == "blocked"]) for t in (one, two)]
    assert spots[0] != spots[1]


@pytest.mark.parametrize(
    "wrong", [{"blocked": -1}, {"blocked_share": (0.8, 0.2)}, {"missing_length": 0}]
)
def test_senseless_damage_is_a_usage_error(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Damage(**wrong)  # type: ignore[arg-type]
