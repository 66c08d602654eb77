"""Rendered targets with known scale, shear, distortion and edge bias, dirt on them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sieve_inspect.errors import UsageError
from sieve_inspect.image import srgb_to_linear
from sieve_inspect.scale.artefact.calibrate import calibrate_light
from sieve_inspect.scale.artefact.errors import NoTargetError, ScaleResidualError
from sieve_inspect.scale.calibration import Artefact, Calibration
from sieve_inspect.synthetic import Optics, Sensor
from sieve_inspect.synthetic.targets import Device, Pattern, Target, TargetRender, render_target

DIRT: dict[str, Any] = {"dust": 12, "hairs": 2, "missing": 6}


def _light(render: TargetRender) -> np.ndarray:
    return srgb_to_linear(render.image / 255.0).astype(np.float32)


def _render(target: Target, device: Device, **more: Any) -> TargetRender:
    more.setdefault("sensor", Sensor(noise=0.004))
    more.setdefault("shape", (560, 560))
    return render_target(target, device, Optics("gaussian", 0.9), **more)


def _artefact(target: Target, **more: Any) -> Artefact:
    width = None if target.pattern == "dots" else target.width_um
    if target.pattern == "checker":
        width = target.pitch_um
    return Artefact(target.pattern, target.pitch_um, line_width_um=width, **more)


def _map_error_px(found: Calibration, render: TargetRender) -> float:
    """Largest distance (px) of the map from the truth over the covered area, turned to fit."""
    steps = np.arange(0.0, 560.0, 7.0)
    points = np.stack([g.ravel() for g in np.meshgrid(steps, steps)], axis=1)
    points = points[found.scale.covers(points)]
    got, true = found.scale.to_um(points), render.to_target(points)
    got, true = got - got.mean(axis=0), true - true.mean(axis=0)
    across = (got[:, 0] * true[:, 1] - got[:, 1] * true[:, 0]).sum()
    angle = np.arctan2(across, (got * true).sum())
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    assert len(points) > 1000
    return float(np.hypot(*(got @ turn - true).T).max()) / found.um_per_px


CASES = [
    ("dots", -25.0, 0.03, True, 0.0, "division"),
    ("grid", -20.0, 0.03, True, -0.15, "division"),
    ("checker", -12.0, 0.02, True, -0.1, "division"),
]
EASIER_CASES = [
    ("dots", 3.0, 0.0, False, 0.0, "division"),
    ("dots", 44.0, -0.02, False, 0.0, "radial"),
    ("grid", 8.0, 0.0, False, 0.2, "division"),
    ("grid", 1.0, -0.02, False, 0.1, "radial"),
    ("checker", 5.0, 0.0, False, 0.2, "division"),
]


@pytest.mark.parametrize(
    ("pattern", "turn", "k", "bright", "bias", "kind"),
    [*CASES, *(pytest.param(*case, marks=pytest.mark.long) for case in EASIER_CASES)],
)
def test_one_dirty_picture(
    pattern: Pattern, turn: float, k: float, bright: bool, bias: float, kind: Any
) -> None:
    """Scale 2e-5, shear 0.005 deg, edge bias 0.02 px, map 0.05 px with at least 400 marks.

    k of 0.03 at half the side is a distortion of 4 % and more at the corners.
    """
    width = 250.0 if pattern == "dots" else 110.0
    target = Target(
        pattern,
        pitch_um=500.0,
        width_um=width,
        rows=22,
        columns=22,
        rotation_deg=turn,
        place_um=(40.0, -70.0),
        bright_marks=bright,
        seed=2,
        **DIRT,
    )
    device = Device(20.03, 19.98, 0.04, k, kind, bias)
    render = _render(target, device, shape=(600, 600) if pattern == "dots" else (580, 580))
    found = calibrate_light([_light(render)], _artefact(target))
    scale = found.scale
    assert scale.um_per_px_x == pytest.approx(20.03, rel=2e-5)
    assert scale.um_per_px_y == pytest.approx(19.98, rel=2e-5)
    assert scale.shear_deg == pytest.approx(0.04, abs=0.005)
    assert _map_error_px(found, render) < 0.05
    if pattern != "dots":
        assert scale.edge_bias_px == pytest.approx(bias, abs=0.02)
    assert found.marks >= (150 if pattern == "checker" else 350)


def test_a_carriage_that_runs_unevenly_is_followed() -> None:
    """Half a wave over the picture, 0.4 px high: no lens, no low polynomial."""
    target = Target("dots", 400.0, 200.0, 27, 27, 2.0)
    render = _render(target, Device(20.0, 20.0, 0.0, 0.03, "wave"))
    found = calibrate_light([_light(render)], _artefact(target))
    assert _map_error_px(found, render) < 0.05


def test_a_target_in_a_part_of_the_picture() -> None:
    target = Target(
        "dots",
        pitch_um=300.0,
        width_um=150.0,
        rows=12,
        columns=12,
        rotation_deg=10.0,
        place_um=(-1800.0, 1500.0),
        **DIRT,
    )
    render = _render(target, Device(20.0, 20.0))
    found = calibrate_light([_light(render)], _artefact(target))
    assert found.scale.um_per_px_x == pytest.approx(20.0, rel=1e-4)
    corners = np.array([[20.0, 20.0], [369.5, 204.5]])
    wanted = render.to_target(corners)
    inside = (np.abs(wanted) < 5.5 * 300).all(axis=1)
    if found.scale.rest is not None:
        assert found.scale.covers(corners).tolist() == inside.tolist()


def test_a_region_keeps_the_pixels_of_the_whole_picture() -> None:
    target = Target(
        "grid",
        pitch_um=400.0,
        width_um=90.0,
        rows=14,
        columns=14,
        rotation_deg=3.0,
        place_um=(-1500.0, 0.0),
    )
    light = _light(_render(target, Device(20.0, 20.0, 0.0, 0.02)))
    light[:, :150] = 0.4 + 0.3 * np.sin(np.arange(150) / 2.1)  # cloth of another kind beside it
    found = calibrate_light([light], _artefact(target), region=(200, 100, 500, 460))
    rest = found.scale.rest
    assert rest is not None
    assert min(x for x, _ in rest.covered_px) > 200
    with pytest.raises(UsageError, match="region"):
        calibrate_light([light], _artefact(target), region=(200, 100, 900, 460))


def test_rotated_pictures_separate_the_artefacts_shape_from_the_devices() -> None:
    """A target stretched by 2e-4 along its own first axis, seen at 0, 90 and 45 degrees."""
    turns = (1.0, 91.0, 46.0)
    lights = []
    for k, turn in enumerate(turns):
        target = Target(
            "dots",
            pitch_um=400.0,
            width_um=200.0,
            rows=27,
            columns=27,
            rotation_deg=turn,
            place_um=(60.0 * k, -40.0 * k),
            stretch=1.0002,
        )
        lights.append(
            _light(_render(target, Device(20.0, 20.01), sensor=Sensor(noise=0.004, seed=k)))
        )
    artefact = Artefact("dots", 400.0 * 1.0001)  # the certified mean of both its pitches
    told = calibrate_light(lights, artefact, turns_deg=(0.0, 90.0, 45.0))
    assert told.scale.um_per_px_x == pytest.approx(20.0, rel=2e-5)
    assert told.scale.um_per_px_y == pytest.approx(20.01, rel=2e-5)
    assert told.fit.target_stretch == pytest.approx(2e-4, abs=2e-5)
    alone = calibrate_light(lights[:1], artefact)
    assert alone.scale.um_per_px_x / 20.0 - 1 == pytest.approx(-1e-4, abs=2e-5)


def test_runs_that_differ_widen_the_uncertainty() -> None:
    """Carriage scales spread by 1e-4 from picture to picture: y says so and x does not."""
    lights = []
    for k, off in enumerate((-1e-4, 0.0, 1e-4, 0.5e-4)):
        target = Target(
            "dots",
            pitch_um=500.0,
            width_um=250.0,
            rows=21,
            columns=21,
            rotation_deg=2.0 * k,
            place_um=(30.0 * k, 0.0),
        )
        device = Device(20.0, 20.0 * (1 + off))
        lights.append(_light(_render(target, device, sensor=Sensor(noise=0.004, seed=k))))
    found = calibrate_light(lights, Artefact("dots", 500.0))
    spread = np.std([v for v in found.repeatability.y if v is not None], ddof=1)
    assert spread == pytest.approx(np.std([-1e-4, 0, 1e-4, 0.5e-4], ddof=1), rel=0.1)
    assert found.scale.u_rel_y > 1e-4
    assert found.scale.u_rel_x < 3e-5


def test_rules_along_both_directions() -> None:
    device = Device(20.03, 19.98, edge_bias_px=0.15)
    lights = []
    for k, turn in enumerate((2.0, 88.0)):
        target = Target(
            "rule",
            pitch_um=300.0,
            width_um=90.0,
            rows=20,
            columns=31,
            rotation_deg=turn,
            place_um=(0.0, 0.0),
            missing=1,
            dust=8,
            seed=k,
        )
        lights.append(_light(_render(target, device)))
    found = calibrate_light(lights, _artefact(target))
    assert found.scale.um_per_px_x == pytest.approx(20.03, rel=2e-5)
    assert found.scale.um_per_px_y == pytest.approx(19.98, rel=2e-5)
    assert found.scale.edge_bias_px == pytest.approx(0.15, abs=0.02)
    assert any("shear" in warning for warning in found.warnings)
    with pytest.raises(UsageError, match="turned by 90"):
        calibrate_light(lights[:1], _artefact(target))


def test_a_rule_lying_across_shows_the_shear() -> None:
    lights = []
    for turn in (2.0, 88.0, 46.0):
        target = Target("rule", 300.0, 90.0, 20, 31, turn)
        lights.append(_light(_render(target, Device(20.0, 20.0, 0.1))))
    found = calibrate_light(lights, _artefact(target))
    assert found.scale.shear_deg == pytest.approx(0.1, abs=0.005)


def test_a_bent_target_is_refused_and_a_stated_limit_lets_it_pass() -> None:
    target = Target("dots", 400.0, 200.0, 25, 25, 1.0)
    light = _light(_render(target, Device()))
    rows = np.arange(560)
    crumpled = light[np.clip(rows + np.rint(1.5 * np.sin(rows / 9.0)).astype(int), 0, 559)]
    with pytest.raises(ScaleResidualError, match="max_residual_um") as caught:
        calibrate_light([crumpled], _artefact(target))
    assert caught.value.exit_code == 26
    found = calibrate_light([crumpled], _artefact(target), max_residual_um=60.0)
    assert found.residual_rms_um > 3.0


@pytest.mark.parametrize(
    ("drawn", "asked"), [("dots", "checker"), ("checker", "dots"), ("grid", "checker")]
)
def test_a_wrong_pattern_is_refused(drawn: Any, asked: str) -> None:
    width = 250.0 if drawn == "dots" else 100.0
    light = _light(_render(Target(drawn, 500.0, width, 15, 15, 3.0), Device(), shape=(420, 420)))
    with pytest.raises(NoTargetError) as caught:
        calibrate_light([light], Artefact(asked, 500.0))
    assert caught.value.exit_code == 25


def test_noise_is_no_target() -> None:
    light = np.random.default_rng(1).uniform(0, 1, (300, 300)).astype(np.float32)
    for pattern in ("dots", "checker", "grid", "rule"):
        with pytest.raises((NoTargetError, UsageError)):
            calibrate_light([light], Artefact(pattern, 500.0))


def test_what_contradicts_itself_is_refused() -> None:
    light = np.zeros((64, 64), np.float32)
    with pytest.raises(UsageError, match="pattern"):
        calibrate_light([light], Artefact("stars", 500.0))
    with pytest.raises(UsageError, match="one setting and size"):
        calibrate_light([light, light[:32]], Artefact("dots", 500.0))
    with pytest.raises(UsageError, match="angle"):
        calibrate_light([light], Artefact("dots", 500.0), turns_deg=(0.0, 90.0))
    with pytest.raises(UsageError, match="no lines"):
        calibrate_light([light], Artefact("dots", 500.0, line_width_um=100.0))
