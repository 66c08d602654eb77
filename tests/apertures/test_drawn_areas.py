"""Areas that a program drew into the picture damage no opening beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Damage, Optics, Sensor, Truth, render
from weave_draw import openings, states

CLOTH = Cloth(14.2, 9.1, sd_px=0.3, rotation_deg=2, seed=31)
SHAPE = (270, 330)
DAMAGE = Damage(missing=3, blocked=8, blocked_share=(0.6, 1.0))


def drawn(cloth: Cloth) -> tuple[np.ndarray, Truth]:
    optics, sensor = Optics("gaussian", 0.7), Sensor(noise=0.01, seed=31)
    picture = render(cloth, optics=optics, sensor=sensor, shape=SHAPE)
    return picture.image, picture.truth


def measured(image: np.ndarray) -> Measurement:
    return measure_array(image, nominal_um=142, um_per_px=10.0, encoding="srgb")


@pytest.mark.parametrize("fill", [0, 255])
def test_the_corners_of_a_turned_picture_damage_nothing(fill: int) -> None:
    image, _ = drawn(CLOTH)
    turned = Image.fromarray(image).rotate(4, Image.Resampling.BICUBIC, expand=True, fillcolor=fill)
    state = openings(measured(np.asarray(turned))).state
    assert not np.isin(state, ("torn", "blocked")).any()
    assert (state == "ok").sum() > 100


def test_beside_a_ruler_drawn_into_the_picture_real_damage_stays() -> None:
    image, truth = drawn(replace(CLOTH, damage=DAMAGE))
    top = SHAPE[0] - 40
    image[top:] = 235
    for x in range(4, SHAPE[1], 8):
        image[top : top + 8, x : x + 2] = 20
    seen = openings(measured(image))
    damaged = np.isin(truth.state, ("torn", "blocked")) & truth.complete
    far = truth.y_px < top - 50
    assert (damaged & far).sum() >= 8
    assert (states(truth, seen)[damaged & far] == truth.state[damaged & far]).all()
    beside = seen.place[:, 1] > top - 25
    assert beside.sum() > 10
    assert not np.isin(seen.state[beside], ("torn", "blocked")).any()


def test_a_hole_within_the_cloth_stays_torn_though_it_shows_one_number() -> None:
    image, _ = drawn(CLOTH)
    image[118:163, 140:185] = np.median(image[image > 160])
    seen = openings(measured(image))
    beside = (np.abs(seen.place - [162, 140]) < 40).all(axis=1)
    assert (seen.state[beside] == "torn").sum() >= 4
