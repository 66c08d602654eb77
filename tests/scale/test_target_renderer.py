"""The renderer of targets against plain geometry: nothing here knows the estimator."""

from __future__ import annotations

import numpy as np
import pytest

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic import Optics, Sensor
from sieve_inspect.synthetic.targets import Device, Target, render_target

LINEAR = Sensor(bits=16, encoding="linear")


def _dark(target: Target, device: Device, shape: tuple[int, int] = (120, 120)) -> np.ndarray:
    """Dark share of every pixel, blurred a little."""
    render = render_target(target, device, Optics("gaussian", 0.8), LINEAR, shape, (0.0, 1.0))
    return 1.0 - render.image / 65535.0


@pytest.mark.parametrize("bias", [0.0, 0.3, -0.2])
def test_a_dot_has_its_area_and_its_middle(bias: float) -> None:
    target = Target("dots", 2000.0, 500.0, 1, 1, place_um=(7.0, -11.0), rotation_deg=20.0)
    dark = _dark(target, Device(20.0, 20.0, edge_bias_px=bias))
    radius = 12.5 - bias
    assert dark.sum() == pytest.approx(np.pi * radius**2, rel=2e-4)
    y, x = np.indices(dark.shape)
    turn = np.radians(20.0)
    back = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    wanted = 59.5 + back @ [-7.0 / 20, 11.0 / 20]
    assert [(dark * x).sum() / dark.sum(), (dark * y).sum() / dark.sum()] == pytest.approx(
        wanted, abs=1e-3
    )


@pytest.mark.parametrize("bright", [False, True])
def test_a_line_has_its_width_less_twice_the_bias(bright: bool) -> None:
    target = Target("rule", 4000.0, 200.0, 40, 1, rotation_deg=3.0, bright_marks=bright)
    dark = _dark(target, Device(20.0, 20.0, edge_bias_px=0.25))
    line = dark.mean(axis=0).sum() if not bright else (1 - dark).mean(axis=0).sum()
    width = 10.0 + (0.5 if bright else -0.5)
    assert line == pytest.approx(width / np.cos(np.radians(3.0)), rel=1e-4)


@pytest.mark.parametrize(("bias", "bright_marks"), [(0.0, False), (0.3, False), (0.3, True)])
def test_bright_squares_of_a_chequerboard_grow_by_the_bias(bias: float, bright_marks: bool) -> None:
    target = Target("checker", 400.0, 400.0, 21, 21, bright_marks=bright_marks)
    dark = _dark(target, Device(20.0, 20.0, edge_bias_px=bias), (160, 160))
    rows = 1 - dark[69:71, 20:140]  # through the middle of a row of squares, three periods long
    assert rows.mean() == pytest.approx((20 + 2 * bias) / 40, abs=1e-4)


def test_missing_marks_are_missing() -> None:
    full = _dark(Target("dots", 400.0, 200.0, 5, 5), Device(20.0, 20.0))
    fewer = _dark(Target("dots", 400.0, 200.0, 5, 5, missing=3), Device(20.0, 20.0))
    assert fewer.sum() / full.sum() == pytest.approx(22 / 25, rel=1e-4)


@pytest.mark.parametrize("kind", ["radial", "division", "wave"])
def test_the_map_is_the_formula(kind: str) -> None:
    device = Device(20.0, 21.0, 0.0, 0.03, kind)  # type: ignore[arg-type]
    target = Target(place_um=(5.0, 6.0))
    q = np.array([100.0, -50.0])
    shape = (401, 601)
    grow = 1 + 0.03 * (q @ q) / 300.5**2
    moved = {
        "radial": q * grow,
        "division": q / grow,
        "wave": q + np.array([0, 0.03 * 300.5 / 20 * np.sin(2 * np.pi * q[1] / 300.5)]),
    }[kind]
    u, v = device.to_target(np.array([400.0]), np.array([150.0]), target, shape)
    assert [u[0], v[0]] == pytest.approx([20 * moved[0] + 5, 21 * moved[1] + 6])


def test_the_same_call_gives_the_same_picture_and_a_tiny_one_is_refused() -> None:
    target = Target("dots", 400.0, 200.0, 5, 5, dust=3, hairs=1, seed=4)
    first, second = (render_target(target, shape=(60, 60)).image for _ in range(2))
    assert (first == second).all()
    with pytest.raises(UsageError):
        render_target(target, shape=(8, 8))
