"""The control chart of a check standard, and what counts as another instrument."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from foresee_lab import Lab
from program import Program
from sieve_registry.outlook.cloth_history import Instrument
from sieve_registry.quality.control_chart import alarms_of, base_of

BASE = [75.0, 75.2, 74.9, 75.1, 74.8]


def test_the_limits_come_from_moving_ranges() -> None:
    """Ranges 0.2, 0.3, 0.2, 0.3: mean 0.25, over d₂ = 1.128."""
    assert base_of(BASE, [0.01] * 5) == pytest.approx((75.0, 0.25 / 1.128))
    assert base_of([75.0] * 5, [0.3] * 5) == pytest.approx((75.0, 0.3))


@pytest.mark.parametrize(
    ("later", "alarms"),
    [
        ([75.2, 74.8, 75.1], ()),
        ([75.7], ("beyond 3 σ",)),
        ([75.1] * 7, ("7 in a row on one side",)),
        ([75.1] * 6, ()),
        ([74.7, 74.8, 74.9, 75.0, 75.1, 75.2, 75.3], ("7 in a row rising",)),
        ([75.3, 75.2, 75.1, 75.0, 74.9, 74.8, 74.7], ("7 in a row falling",)),
    ],
)
def test_the_last_value_warns(later: list[float], alarms: tuple[str, ...]) -> None:
    """ISO 7870-2:2013, from memory: a value beyond a limit, seven on one side, seven in a trend."""
    found = alarms_of(BASE + later, 75.0, 0.2, 5)
    assert found[-1] == alarms
    assert not any(found[:5])


def test_no_alarm_without_a_base() -> None:
    assert alarms_of([75.0, 99.0], None, None, 5) == [(), ()]


def test_false_alarms_are_as_rare_as_the_rules_promise() -> None:
    """0.27 % beyond 3 σ, and 2 · 2⁻⁷ on one side: under 2 % of steady normal values."""
    values = np.random.default_rng(3).normal(0, 1, 5000).tolist()
    found = alarms_of(values, 0.0, 1.0, 5)
    share = sum(bool(alarms) for alarms in found) / len(values)
    beyond = 2 * (1 - NormalDist().cdf(3))
    assert beyond + 2**-6 - 0.005 < share < beyond + 2**-6 + 0.006


def test_the_command(lab: Lab, run: Program, tmp_path: Path) -> None:
    lab.add()
    for n, x in enumerate([*BASE, 75.1, 77.5]):
        lab.check(10 * n, x=x, u=0.05, u_rel=0.0003)
    answer = json.loads(run("control", "S-1", "--json", "-").out)
    x, y = answer["charts"]
    assert [point["alarms"] for point in x["points"]][-2:] == [[], ["beyond 3 σ"]]
    assert y["points"][-1]["alarms"] == []
    chart = tmp_path / "control.svg"
    assert run("control", "S-1", "--plot", str(chart)).code == 0
    drawn = chart.read_text()
    assert "Control chart of sieve S-1" in drawn
    assert "beyond 3 σ" in drawn
    shown = run("control", "S-1", "--fail-on", "alarm")
    assert (shown.code, "beyond 3 σ" in shown.out) == (1, True)
    assert run("control", "S-1", "--base", "4").code == 2


KNOWN = Instrument((1e-4, 1e-4), "F-24", "G-1", None, 0.02, "[[4.0, 4.0], None]")


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, ""),
        ({"u_rel": (2e-4, 2e-4)}, ""),  # calibrated again from the same artefact
        ({"device": "F-48"}, "another device"),
        ({"rests_on": "G-2"}, "another scale"),
        ({"edge_bias_px": 0.05}, "another scale"),  # 0.06 px: 0.3 um at 4800 dpi
        ({"lamp": "[[20.0, 20.0], None]"}, "another lamp"),
        ({"device": ""}, ""),
        ({"edge_bias_px": None, "lamp": ""}, ""),
    ],
)
def test_an_instrument_is_another_by_what_was_used(changes: dict[str, object], reason: str) -> None:
    assert replace(KNOWN, **changes).change_from(KNOWN) == reason  # type: ignore[arg-type]


def test_two_typed_scales_of_one_text_are_two() -> None:
    typed = Instrument(rests_on="given by hand, not certified", um_per_px=(5.29, 5.29))
    assert replace(typed, um_per_px=(5.29, 5.31)).change_from(typed) == "another scale"
    assert replace(typed, um_per_px=(5.29, 5.291)).change_from(typed) == ""
