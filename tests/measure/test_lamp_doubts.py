"""Scans under lamps that change the outline of round wires are never measured without a doubt.

The pictures are path-traced (see tests/synthetic/test_round_wires.py) and lie beside a checkout.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import sieve_inspect as si

TRACED = Path(__file__).parents[3] / "shared" / "pathtraced"
pytestmark = pytest.mark.skipif(not TRACED.is_dir(), reason="no traced pictures beside this tree")


def measured(name: str) -> tuple[si.Measurement, dict[str, float]]:
    truth = json.loads((TRACED / f"{name}.json").read_text())
    measurement = si.measure(
        TRACED / f"{name}.png",
        nominal_um=truth["nominal_um"],
        um_per_px=tuple(truth["um_per_px"]),
        encoding=truth["encoding"],
    )
    return measurement, truth


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("steel_35", "sides of the wires"),
        ("steel_35_coarse", "sides of the wires"),
        ("steel_60", "sides of the wires"),
        ("bronze_30", "sides of the wires"),
        ("rough_40", "sides of the wires"),
        ("strip_48_6", "thinner in x than in y"),
        ("view_13", "thinner in y than in x"),
    ],
)
def test_a_wide_lamp_or_a_slanting_view_is_doubted(name: str, reason: str) -> None:
    measurement, _ = measured(name)
    assert measurement.fit == "indicative"
    assert any(reason in text for text in measurement.fit_reasons)


@pytest.mark.parametrize("name", ["black_50", "steel_10", "steel_22"])
def test_a_small_lamp_or_black_wires_are_measured_without_a_doubt(name: str) -> None:
    measurement, truth = measured(name)
    assert measurement.fit == "ok"
    for direction, true in zip(
        measurement.directions, (truth["true_mean_x_um"], truth["true_mean_y_um"]), strict=True
    ):
        assert abs(direction.mean_um - true) <= direction.U_mean_um
