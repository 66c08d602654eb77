"""The scale file and the points moved through it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sieve_inspect.errors import BadScaleFileError, UsageError
from sieve_inspect.scale import PixelMap, Scale, exact_scale, load_scale, scale_from_text
from sieve_inspect.scale.parts import Cause, Sensor

MAP = PixelMap(
    centre_px=(250.0, 240.0),
    half_px=(200.0, 190.0),
    powers=((0, 0), (2, 0), (1, 1)),
    x_um=(0.1, -2.0, 0.4),
    y_um=(0.2, 0.3, 1.0),
    covered_px=((60.0, 60.0), (440.0, 60.0), (440.0, 420.0)),
    u_px=0.004,
)
FULL = Scale(
    um_per_px_x=20.0,
    um_per_px_y=20.1,
    u_rel_x=1e-5,
    u_rel_y=2e-5,
    edge_bias_px=0.12,
    source="cert 7",
    shear_deg=0.05,
    u_shear_deg=0.001,
    u_edge_bias_px=0.01,
    rest=MAP,
)


def _written(path: Path, data: dict[str, Any]) -> Path:
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def test_everything_written_is_read_again(tmp_path: Path) -> None:
    assert load_scale(_written(tmp_path / "s.json", FULL.to_dict())) == FULL


def test_a_file_with_the_first_keys_alone_is_still_read(tmp_path: Path) -> None:
    data = {"schema": "sieveward.scale/1", "um_per_px_x": 10.5, "um_per_px_y": 10.6}
    data |= {"u_rel_x": 1e-4, "u_rel_y": 2e-4}
    scale = load_scale(_written(tmp_path / "old.json", data))
    assert scale == Scale(10.5, 10.6, 1e-4, 2e-4, 0.0, "old.json")
    assert scale.rest is None


@pytest.mark.parametrize(
    ("source", "certified"),
    [
        ("certificate 7", True),
        ("certificate 7; edge bias from certificate 8", True),
        ("certificate 7, not certified", False),
        ("given by hand, not certified", False),
        ("given by hand", False),
        ("", False),
    ],
)
def test_a_file_without_certified_goes_by_its_source(
    tmp_path: Path, source: str, certified: bool
) -> None:
    data = replace(FULL, source=source, certified=not certified).to_dict()
    del data["certified"]
    assert load_scale(_written(tmp_path / "old.json", data)).certified is certified


@pytest.mark.parametrize("certified", [True, False])
def test_the_field_certified_outranks_the_source(tmp_path: Path, certified: bool) -> None:
    scale = replace(FULL, source="certificate 7, not certified", certified=certified)
    assert load_scale(_written(tmp_path / "s.json", scale.to_dict())) == scale


def test_a_scale_typed_by_hand_is_not_certified() -> None:
    assert not scale_from_text("10.58,10.57").certified
    assert not Scale(10.5, 10.6, 1e-4, 2e-4).certified


def test_repr_is_short() -> None:
    long = repr(replace(FULL, source="certificate " * 40))
    assert len(long) <= 200
    assert "20 x 20.1 um/px" in long
    assert "not certified" in long


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("schema", "sieveward.scale/9", "schema"),
        ("um_per_px_x", "wide", "could not convert"),
        ("um_per_px_x", 0.0, "plausible"),
        ("shear_deg", 50.0, "plausible"),
        ("u_edge_bias_px", -1.0, "positive"),
        ("rest", {"powers": []}, "missing"),
        ("rest", [1, 2], "list indices"),
        ("certified", "yes", "certified must be true or false"),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, key: str, value: object, words: str) -> None:
    data: dict[str, Any] = {**FULL.to_dict(), key: value}
    with pytest.raises(BadScaleFileError, match=words) as caught:
        load_scale(_written(tmp_path / "bad.json", data))
    assert caught.value.exit_code == 22


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("x_um", [1.0]),
        ("half_px", [0.0, 1.0]),
        ("powers", [[0, 0], [99, 0], [1, 1]]),
        ("y_um", [0.0, math.inf, 1.0]),
    ],
)
def test_a_broken_map_is_refused(tmp_path: Path, key: str, value: object) -> None:
    data = FULL.to_dict()
    rest = data["rest"]
    assert isinstance(rest, dict)
    rest[key] = value
    with pytest.raises(BadScaleFileError):
        load_scale(_written(tmp_path / "bad.json", data))


def test_without_a_map_distances_are_those_of_the_two_scales() -> None:
    scale = Scale(20.0, 21.0, 0.0, 0.0)
    first, second = np.array([[5.0, 5.0]]), np.array([[8.0, 9.0]])
    step = scale.to_um(second) - scale.to_um(first)
    assert np.hypot(*step.T) == pytest.approx([math.hypot(60.0, 84.0)])
    assert scale.covers(first).tolist() == [True]


def test_shear_leans_y_towards_x() -> None:
    scale = Scale(20.0, 20.0, 0.0, 0.0, shear_deg=1.0)
    down = scale.to_um(np.array([[0.0, 100.0]]))[0]
    assert math.degrees(math.atan2(down[0], down[1])) == pytest.approx(1.0)
    assert math.hypot(*down) == pytest.approx(2000.0)


def test_the_map_is_added_to_the_straight_scale() -> None:
    point = np.array([[400.0, 100.0]])
    x, y = 150 / 200, -140 / 190
    t2 = 2 * x * x - 1
    plain = Scale(20.0, 20.1, 0.0, 0.0, shear_deg=0.05).to_um(point)
    wanted = plain + np.array([[0.1 - 2 * t2 + 0.4 * x * y, 0.2 + 0.3 * t2 + 1.0 * x * y]])
    assert FULL.to_um(point) == pytest.approx(wanted)


def test_a_scale_by_hand_has_no_map() -> None:
    scale = scale_from_text("10.5,10.6")
    assert scale.rest is None
    with pytest.raises(UsageError):
        scale_from_text("10,11,12")


@pytest.mark.parametrize("text", ["40,40", "10,11", " 5, 5"])
def test_a_decimal_comma_is_not_read_as_two_scales(text: str) -> None:
    with pytest.raises(UsageError, match="one scale with a point"):
        scale_from_text(text)


def test_two_scales_have_points() -> None:
    assert (scale_from_text("40.0,41").um_per_px_x, scale_from_text("40").um_per_px_y) == (40, 40)


def test_what_a_scale_does_not_state_counts_by_default() -> None:
    """Raw errors of a flatbed as one wave of 240 um over 297 mm (Boron, ISPRS 1996): 0.18 %."""
    typed = scale_from_text("10.5")
    slope = math.pi * 240 / 297_000
    stand_off, flat, warm = 1 / 300, 0.3 / 300, 17e-6 * 10
    left = math.hypot(slope / math.sqrt(2), math.hypot(stand_off, flat, warm) / math.sqrt(3))
    assert typed.u_rel_in_use(0) == pytest.approx(math.hypot(0.001, left))
    stated = typed.with_part(Cause.STAND_OFF, 0.0, 0.0).with_part(Cause.PICTURES, 2e-4, 1e-4)
    rest = math.hypot(flat, warm) / math.sqrt(3)
    assert stated.u_rel_in_use(0) == pytest.approx(math.hypot(0.001, 2e-4, rest))
    assert stated.u_rel_by_cause(0)[Cause.PICTURES] == pytest.approx(2e-4)
    assert stated.u_rel_by_cause(0)[None] == pytest.approx(0.001)
    assert exact_scale(10.0, 10.0).u_rel_in_use(0) == 0


def test_a_sensor_has_defaults_of_its_own() -> None:
    """A microscope has no plate to be wrong over; straight sensors keep their scale with height."""
    third = 1 / math.sqrt(3)
    plate = math.pi * 240 / 297_000 / math.sqrt(2)
    slant = math.radians(0.1) / 10  # per mm of height, over fields of 10 mm
    # The mean of (dr'/dr + r'/r) / 2 of r' = r (1 + D r²/R²) over a square with R at its corners.
    side = (np.arange(400) + 0.5) / 200 - 1
    square = (side[:, None] ** 2 + side**2) / 2
    lens = {percent: percent / 100 * float(2 * square.mean()) for percent in (0.1, 0.3)}
    expected = {
        Sensor.LINE_CAMERA: (plate, third / 300, third * 0.3 / 300),
        Sensor.CONTACT: (plate, third * slant, third * 0.3 * slant),
        Sensor.AREA_CAMERA: (third * lens[0.3], third * 0.1 / 30, third * 0.03 / 30),
        Sensor.TELECENTRIC: (third * lens[0.1], third * slant, third * 0.3 * slant),
    }
    for sensor, values in expected.items():
        scale = Scale(1.0, 1.0, 0.0, 0.0, sensor=sensor)
        causes = (Cause.PICTURES, Cause.STAND_OFF, Cause.FLATNESS)
        assert [scale.assumed[cause].u for cause in causes] == pytest.approx(values, rel=1e-4)
        read = Scale.from_dict(scale.to_dict())
        assert (read.sensor, read.u_rel_in_use(0)) == (sensor, scale.u_rel_in_use(0))
    # Files of flatbeds are as they always were.
    assert "sensor" not in Scale(1.0, 1.0, 0.0, 0.0).to_dict()


def test_an_edge_bias_without_a_line_is_not_known(tmp_path: Path) -> None:
    """Earlier files wrote 0 for the u of a bias that no line gave."""
    assert scale_from_text("10.5").u_edge_bias_in_use_px == pytest.approx(0.05 / math.sqrt(3))
    old = {**scale_from_text("10.5").to_dict(), "u_edge_bias_px": 0.0}
    assert load_scale(_written(tmp_path / "old.json", old)).u_edge_bias_px is None
    assert load_scale(_written(tmp_path / "s.json", FULL.to_dict())).u_edge_bias_in_use_px == 0.01


@pytest.mark.parametrize(("pictures", "stated"), [(4, True), (None, False)])
def test_a_file_without_parts_shows_in_its_budget_what_it_states(
    tmp_path: Path, pictures: int | None, stated: bool
) -> None:
    row = {"name": "picture to picture", "u_rel_x": 1e-5, "u_rel_y": 1e-5, "dof": pictures}
    old = {**FULL.to_dict(), "budget": [row]}
    del old["parts"]
    scale = load_scale(_written(tmp_path / "old.json", old))
    assert (Cause.PICTURES in scale.stated) is stated
