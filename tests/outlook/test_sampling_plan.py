"""How many apertures, where, and whether a check looked at enough.

Counts: ASTM E11 as in the open library fluids 1.3.1; proportion to the sieving area, 20 or fewer:
ISO 3310-1:2016; wires: ISO 3310-1:2016 and Ph. Eur. 2.1.4.
"""

from __future__ import annotations

import json

import pytest
from fluids.particle_size_distribution import ASTM_E11_sieves, Sieve
from hypothesis import given
from hypothesis import strategies as st

from foresee_lab import Lab
from program import Program
from sieve_inspect.standard import limits
from sieve_inspect.standard.sampling import plan, shortfalls


@pytest.mark.parametrize("sieve", ASTM_E11_sieves.values(), ids=lambda s: s.old_designation)
@pytest.mark.parametrize("grade", ["inspection", "calibration"])
def test_counts_on_a_200_mm_sieve_as_fluids(sieve: Sieve, grade: str) -> None:
    found = plan(round(sieve.opening * 1e6, 3), grade=grade, standard="astm-e11:2009")
    expected = getattr(sieve, f"{grade}_samples")
    if found.n is None:  # the sieve has no more than that, or fluids has no number
        assert expected is None or not isinstance(expected, (int, float)) or sieve.opening > 0.012
    else:
        assert found.n == expected


@pytest.mark.parametrize(
    ("frame_mm", "n"),
    [
        (200, 100),
        (203.2, 100),  # 8 in
        (300, 225),  # (300 / 200)² = 2.25
        (304.8, 225),  # 12 in
        (100, 25),
        (450, 507),  # 506.25, up
    ],
)
def test_counts_go_with_the_sieving_area(frame_mm: float, n: int) -> None:
    assert plan(75, grade="inspection", frame_mm=frame_mm).n == n


def test_compliance_is_judged_on_the_sieve_as_inspection_is() -> None:
    found = plan(75)
    assert found.n == 100
    assert any("meant for rolls" in reason for reason in found.reasons)


def test_twenty_apertures_or_fewer_are_all_measured() -> None:
    # 63 mm with 5.6 mm wire in a 200 mm frame: 2 across 187 mm, about 3 full ones.
    found = plan(63_000)
    assert found.n is None
    assert "20 or fewer" in found.reasons[0]


def test_fields_lie_on_both_centre_lines_from_rim_to_rim() -> None:
    # 75 um with 50 um wire: 40 apertures in a row of 5 mm; 100 need 3 fields.
    found = plan(75, field_mm=5)
    assert (found.per_field, found.fields) == (40, 3)
    assert [(p.line, p.x_mm, p.y_mm) for p in found.places] == [
        ("x", -91.2, 0.0),
        ("x", 0.0, 0.0),
        ("x", 91.2, 0.0),
        ("y", 0.0, -91.2),
        ("y", 0.0, 0.0),
        ("y", 0.0, 91.2),
    ]
    # The outermost field ends where the cloth does: 200 − 12.7 mm across.
    outermost = found.places[2].x_mm + 2.5
    assert 2 * outermost == pytest.approx(200 - 12.7, abs=0.15)


def test_wires_of_the_recommended_diameter_within_15_percent() -> None:
    found = plan(2800, standard="iso3310-1:1990")
    assert (found.wires, found.wire_um) == (10, 1120)
    assert (found.wire_min_um, found.wire_max_um) == (950, 1300)  # Ph. Eur. 2.1.4
    # The 1995 table has no wires: those of ISO 3310-1:2016 stand in.
    assert plan(75, standard="astm-e11:1995").wire_um == limits(75).wire_um


def test_what_a_check_lacked() -> None:
    wanted = plan(75, field_mm=5)
    assert shortfalls(wanted, {"x": 100, "y": 120}, 10, 3) == ()
    lacking = shortfalls(wanted, {"x": 99, "y": 100}, 9, 2)
    assert [(row.what, row.measured, row.needed) for row in lacking] == [
        ("apertures in x", 99, 100),
        ("wires", 9, 10),
        ("fields", 2, 3),
    ]


@given(st.floats(20, 125_000), st.floats(50, 600), st.none() | st.floats(0.5, 50))
def test_every_plan_can_be_carried_out(nominal: float, frame: float, field: float | None) -> None:
    found = plan(nominal, frame_mm=frame, field_mm=field)
    assert found.n is None or found.n >= 1
    assert found.fields >= 1
    for place in found.places:
        assert abs(place.x_mm) <= frame / 2
        assert abs(place.y_mm) <= frame / 2


def test_the_command(lab: Lab, run: Program) -> None:
    lab.add(frame_um=200_000)
    answer = run("plan", "S-1", "--field", "5mm")
    assert answer.code == 0
    assert "No check yet" in answer.out
    lab.check(0, count=400, images=3)
    answer = run("plan", "S-1", "--field", "5mm")
    assert "C-0001 met the plan." in answer.out
    assert "Where on the cloth its scans were taken is not recorded" in " ".join(answer.out.split())
    assert "wires in x: 50.00 um, within the limits" in answer.out
    assert all(len(line) <= 80 for line in answer.out.splitlines())
    lab.check(1, count=90, images=1)
    data = json.loads(run("plan", "S-1", "--field", "5mm", "--json", "-").out)
    assert data["check"]["met"] is False
    assert [one["what"] for one in data["check"]["lacking"]] == [
        "apertures in x",
        "apertures in y",
        "fields",
    ]
    whole = json.loads(run("plan", "S-1", "--json", "-").out)
    assert (whole["n"], whole["fields"]) == (100, 1)
