"""Invariance: transformations of a picture change widths exactly as they should.

Pictures are kept linear with 16 bits and without noise, so that only the measuring itself can
make a difference. 0.002 px is a tenth of what the mean may be off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from cases import others_long
from sieve_inspect.synthetic import Cloth, render_light
from weave_draw import Openings, measured, openings, stored_linear

CLOTH = Cloth(13.3, 8.7, aperture_y_px=14.6, sd_px=0.5, rotation_deg=6, seed=21)
SHAPE = (260, 330)
PITCH = 24
MEAN, EACH = 0.002, 0.01


@pytest.fixture(scope="module")
def light() -> np.ndarray:
    return render_light(CLOTH, shape=SHAPE)[0]


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Openings]:
    folder = tmp_path_factory.mktemp("properties")

    def measured_light(level: np.ndarray, nominal: float = CLOTH.aperture_px) -> Openings:
        path = stored_linear(level, folder / "scan.tif")
        return openings(measured(path, nominal, encoding="linear"))

    return measured_light


@pytest.fixture(scope="module")
def plain(light: np.ndarray, look: Callable[..., Openings]) -> Openings:
    return look(light)


def alike(
    first: Openings,
    second: Openings,
    move: Callable[[np.ndarray], np.ndarray] = lambda place: place,
    *,
    swap: bool = False,
    factor: float = 1.0,
    mean: float = MEAN,
    each: float = EACH,
) -> None:
    """Compare the widths of openings believed in both; `move` takes places of the first along."""
    tree = cKDTree(second.place)
    away, index = map(np.asarray, tree.query(move(first.place)))
    both = first.ok & (away < 3) & second.ok[index]
    assert both.sum() >= 0.97 * first.ok.sum()
    after = second.width[index[both]]
    off = (after[:, ::-1] if swap else after) / factor - first.width[both]
    assert np.abs(off.mean(axis=0)).max() < mean, off.mean(axis=0)
    assert np.abs(off).max() < each, np.abs(off).max()


def test_a_quarter_turn_swaps_x_and_y(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings
) -> None:
    turned = np.rot90(light)  # (x, y) goes to (y, width - 1 - x)
    width = light.shape[1]
    alike(
        plain,
        look(turned),
        lambda p: np.stack([p[:, 1], width - 1 - p[:, 0]], axis=1),
        swap=True,
    )


@pytest.mark.parametrize("axis", others_long([0, 1]))
def test_a_mirror_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings, axis: int
) -> None:
    size = light.shape[axis] - 1

    def move(place: np.ndarray) -> np.ndarray:
        moved = place.copy()
        moved[:, 1 - axis] = size - moved[:, 1 - axis]
        return moved

    alike(plain, look(np.flip(light, axis)), move)


@pytest.mark.parametrize("share", others_long([0.3, 1.2]))
def test_brightness_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings, share: float
) -> None:
    alike(plain, look(share * light))


def test_contrast_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings
) -> None:
    alike(plain, look(0.3 + 0.4 * light))


def test_negative_light_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings
) -> None:
    alike(plain, look(0.9 - light))


def test_twice_the_pixels_twice_the_width(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings
) -> None:
    doubled = np.kron(light, np.ones((2, 2)))  # a pixel's centre x goes to 2x + 1/2
    alike(
        plain,
        look(doubled, 2 * CLOTH.aperture_px),
        lambda p: 2 * p + 0.5,
        factor=2.0,
        mean=0.01,
        each=0.03,
    )


@pytest.mark.parametrize("level", others_long([0.0, 0.4, 1.0]))
def test_a_border_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings, level: float
) -> None:
    """But for openings beside the border: beyond their wire there is no cloth to lean on.

    What is fitted in common leans on other openings then, so the mean may move by 0.005 px.
    """
    wide = np.pad(light, 60, constant_values=level)
    seen = look(wide)
    deep = np.minimum(plain.place, np.array(SHAPE[::-1]) - 1 - plain.place).min(axis=1) > PITCH
    inner = replace(plain, state=np.where(deep, plain.state, "rim"))
    alike(inner, seen, lambda p: p + 60, mean=0.005)
    inside = ((seen.place > 60) & (seen.place < np.array(SHAPE[::-1]) + 59)).all(axis=1)
    assert not (seen.ok & ~inside).any()
    assert not np.isin(seen.state, ("torn",)).any()


def test_a_shift_by_whole_pixels_changes_nothing(
    light: np.ndarray, look: Callable[..., Openings], plain: Openings
) -> None:
    seen = look(light[5:, 7:])
    tree = cKDTree(seen.place + np.array([7, 5]))
    away, found = tree.query(plain.place)
    index = np.asarray(found)
    both = plain.ok & (away < 1) & seen.ok[index]
    assert both.sum() > 0.85 * plain.ok.sum()
    assert np.abs(seen.width[index[both]] - plain.width[both]).max() < EACH
