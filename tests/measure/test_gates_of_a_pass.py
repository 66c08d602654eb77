"""What a pass needs beside the limits: the sampling plan and wires as the standard allows them.

Counts for 75 um on a 200 mm sieve: 100 apertures in each direction (ASTM E11 as in fluids 1.3.1),
at least 10 wires; wires of 50 um, 43 to 58 um (ISO 3310-1:2016 as in fluids 1.3.1).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from sieve_inspect.illumination.model import NOT_STATED, Illumination
from sieve_inspect.measurement.gates import gates_of_sample, light_gates
from sieve_inspect.measurement.lighting import LightCorrection
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.scale import PixelMap, exact_scale
from sieve_inspect.standard import Limits, limits
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.synthetic import Cloth, Sensor, render
from sieve_inspect.verdict import Gate, judge
from sieve_inspect.verdict.rules import read_rule

ALLOWED = limits(75)


def summary(count: int = 400, wires: int = 60, wire_um: float = 50.0,
            population: int | None = None) -> DirectionSummary:  # fmt: skip
    """A sound direction of so many apertures and wires."""
    return DirectionSummary(
        count=count,
        mean_um=75.2,
        sd_um=2.0,
        min_um=70.0,
        max_um=82.0,
        median_um=75.2,
        u_mean_um=0.2,
        u_sd_um=0.1,
        u_max_um=0.3,
        wire_mean_um=wire_um,
        wire_count=wires,
        pitch_um=125.0,
        odd_even_um=0.0,
        population=population,
    )


def unmet(
    sample: DirectionSummary, *, fields: int = 3, field_mm: float = 5.0, allowed: Limits = ALLOWED,
    frame_mm: float | None = None,
) -> tuple[Gate, ...]:  # fmt: skip
    return gates_of_sample((sample, sample), allowed, fields, field_mm, frame_mm)


def test_sixteen_apertures_do_not_pass() -> None:
    """16 apertures between 5 wires of one field, where 100, 10 and 3 are needed."""
    (gate,) = unmet(summary(count=16, wires=5), fields=1)
    assert "apertures in x 16 of 100" in gate.reason
    assert "wires 5 of 10" in gate.reason
    assert "fields 1 of 3" in gate.reason
    verdict = judge(summary(), summary(), ALLOWED, fit="ok")
    assert verdict.outcome == "pass"
    gated = verdict.with_gates([gate])
    assert (gated.outcome, gated.action) == ("conditional pass", "measure better")
    assert gate.remedy in gated.action_reason
    assert gated.reasons[-1] == f"{gate.reason}."


def test_a_plan_that_is_met_leaves_a_pass() -> None:
    assert unmet(summary()) == ()
    verdict = judge(summary(), summary(), ALLOWED, fit="ok")
    assert verdict.with_gates(()) == verdict


def test_cloth_measured_whole_meets_any_plan() -> None:
    """A small sieve with 60 apertures in all, every one measured in a single picture."""
    few = summary(count=60, wires=8, population=60)
    assert unmet(few, fields=1) == ()
    part = summary(count=40, wires=8, population=60)
    assert len(unmet(part, fields=1)) == 1


def test_the_frame_decides_how_many() -> None:
    """25 in a frame of 100 mm: (100 / 200)² of 100."""
    assert unmet(summary(count=30), frame_mm=100.0) == ()
    assert "apertures in x 30 of 100" in unmet(summary(count=30))[0].reason


def test_coarse_sieves_need_every_aperture() -> None:
    """63 mm with 5.6 mm wire in a 200 mm frame: about 3 full apertures."""
    coarse = limits(63_000)
    assert unmet(summary(count=3, wire_um=5600.0), allowed=coarse, field_mm=200.0) == ()
    (gate,) = unmet(summary(count=1, wire_um=5600.0), allowed=coarse, field_mm=200.0)
    assert "every full aperture" in gate.reason


@pytest.mark.parametrize("wire_um", [36.0, 58.5])
def test_wires_beyond_the_standard_do_not_pass(wire_um: float) -> None:
    gates = unmet(summary(wire_um=wire_um))
    assert [gate.reason[:14] for gate in gates] == ["the wires in x", "the wires in y"]
    assert "allowed is 43 um to 58 um" in gates[0].reason


def test_a_fail_stays_a_fail() -> None:
    """Without enough fields an aperture over the limit is over the limit."""
    wide = replace(summary(), max_um=140.0)
    verdict = judge(wide, wide, ALLOWED, fit="ok")
    assert verdict.outcome == "fail"
    assert verdict.with_gates([Gate("a reason", "a remedy")]) == verdict


def test_cleaning_comes_before_measuring_again() -> None:
    from sieve_inspect.verdict import ClothState

    verdict = judge(summary(), summary(), ALLOWED, fit="ok", cloth=ClothState(0.03))
    gated = verdict.with_gates([Gate("a reason", "a remedy")])
    assert (gated.outcome, gated.action) == ("conditional pass", "clean and recheck")
    assert gated.action_reason.endswith("For a pass also: a remedy.")


def test_cloth_beyond_the_artefact_is_no_matter_of_the_picture() -> None:
    """The certified way must not be told to take a better picture."""
    cloth = Cloth(14.2, 9.5, sd_px=0.3, rotation_deg=3, seed=4)
    drawn = render(cloth, sensor=Sensor(noise=0.01, seed=4), shape=(280, 300))
    corner = ((0.0, 0.0), (90.0, 0.0), (90.0, 90.0), (0.0, 90.0))
    seen = PixelMap((45.0, 45.0), (45.0, 45.0), ((2, 0),), (0.0,), (0.0,), corner, 0.004)
    scale = replace(exact_scale(10.0, 10.0), rest=seen, certified=True)
    result = measure_array(
        drawn.image,
        nominal_um=142,
        scale=scale,
        encoding="srgb",
        judging=Judging("iso3310-1:2016"),
    )
    assert result.fit == "indicative"
    verdict = result.verdict
    assert verdict is not None
    assert verdict.action == "measure better"
    assert "scan the cloth where the artefact lay" in verdict.action_reason
    assert "better picture" not in verdict.action_reason


def test_a_simple_pass_that_hangs_on_an_unknown_lamp_is_conditional() -> None:
    """Y is 3.7 um at 75 um: 77.9 um is 0.8 um within; a lamp nobody stated leaves 1 um (2 u)."""

    def gates(mean_um: float, light: Illumination, rule: str = "simple") -> list[Gate]:
        left = LightCorrection(light, (0.0, 0.0), (0.0, 0.0), (0.5, 0.4))
        mean = replace(summary(), mean_um=mean_um)
        return list(light_gates(left, (mean, mean), ALLOWED, read_rule(rule)))

    assert "0.8 um within its limit" in gates(77.9, NOT_STATED)[0].reason
    assert gates(77.6, NOT_STATED) == []
    assert gates(77.9, Illumination.stated(4)) == []
    assert gates(77.9, NOT_STATED, "guard-band") == []
