"""Light on round wires: what is corrected, how far it is known, and what is doubted.

The pictures are path-traced by a program that shares nothing with this project (see
tests/synthetic/test_round_wires.py) and lie beside a checkout; their truth is exact.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import sieve_inspect as si
from shared_run import share_pictures
from sieve_inspect.errors import IlluminationError
from sieve_inspect.measurement.reference_cloth import CertifiedCloth, of_reference
from sieve_inspect.scale.model import exact_scale
from sieve_inspect.summary.uncertainty import BudgetSource, combine, lines_of

TRACED = Path(__file__).parents[3] / "shared" / "pathtraced"
pytestmark = pytest.mark.skipif(not TRACED.is_dir(), reason="no traced pictures beside this tree")
NAMES = sorted(path.stem for path in TRACED.glob("*.json"))
NOTHING = si.Illumination()


@pytest.fixture(autouse=True)
def edges_measured_once(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    """Lamp and view are taken into account after a picture is measured; that is tested here."""
    share_pictures(monkeypatch, shared)


@cache
def truth_of(name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((TRACED / f"{name}.json").read_text())
    return truth


# The true means are those of the apertures in the picture: nothing of that cloth is left unseen.
ALL_SEEN = si.Prior(population=9)


@cache
def measured(
    name: str, light: si.Illumination = NOTHING, prior: si.Prior = ALL_SEEN
) -> si.Measurement:
    truth = truth_of(name)
    return si.measure(
        TRACED / f"{name}.png",
        nominal_um=truth["nominal_um"],
        scale=exact_scale(*truth["um_per_px"]),
        encoding=truth["encoding"],
        illumination=light,
        prior=prior,
    )


def stated(name: str) -> si.Illumination:
    truth = truth_of(name)
    return si.Illumination.stated(tuple(truth["light_half_angle_deg"]), tuple(truth["view_deg"]))


def errors(name: str, measurement: si.Measurement) -> list[tuple[float, float]]:
    """Error and U (k = 2) of the mean of the cloth in the picture, um: without sampling."""
    pairs = []
    for direction, summary in zip("xy", measurement.directions, strict=True):
        lines = [
            line
            for line in lines_of(measurement.budget)
            if line.direction == direction and line.source is not BudgetSource.SAMPLING
        ]
        error = summary.mean_um - truth_of(name)[f"true_mean_{direction}_um"]
        pairs.append((error, 2 * combine(lines)))
    return pairs


@pytest.mark.parametrize("name", NAMES)
def test_the_uncertainty_covers_a_lamp_nothing_is_known_of(name: str) -> None:
    for error, expanded in errors(name, measured(name)):
        assert abs(error) <= expanded


@pytest.mark.parametrize("name", NAMES)
def test_a_stated_lamp_and_view_bring_the_mean_within_its_uncertainty(name: str) -> None:
    light = stated(name)
    for axis, (error, expanded) in enumerate(errors(name, measured(name, light))):
        assert abs(error) <= expanded
        wire = truth_of(name)["wire_um"]
        # Up to 10 degrees there is nothing to speak of: 0.5 % of a wire and the picture's own u.
        if light.lamp_deg is not None and light.lamp_deg[axis] <= 10 and not any(stated_view(name)):
            assert expanded < 0.005 * wire + 0.06 * truth_of(name)["um_per_px"][0]


def stated_view(name: str) -> tuple[float, float]:
    x, y = truth_of(name)["view_deg"]
    return x, y


# The reference is another cloth under the same lamp; its certificate states the true means.
@pytest.mark.parametrize(
    ("reference", "name"),
    [
        ("steel_35", "steel_35_coarse"),
        ("steel_35", "steel_35_micro"),
        ("steel_35_coarse", "steel_35"),
        ("steel_35_micro", "steel_35_coarse"),
    ],
)
def test_a_reference_cloth_corrects_other_sizes_to_0_4_percent_of_a_wire(
    reference: str, name: str
) -> None:
    truth = truth_of(reference)
    certified = (truth["true_mean_x_um"], truth["true_mean_y_um"])
    light = of_reference(measured(reference), CertifiedCloth(certified, None, 0.2), "certificate 1")
    corrected = measured(name, light)
    assert corrected.fit == "ok"
    assert "valid for wires of the same metal and finish" in corrected.light.source
    allowed = 0.004 * truth_of(name)["wire_um"] + 0.02 * truth_of(name)["um_per_px"][0]
    limit = si.limits(truth_of(name)["nominal_um"], "iso3310-1:2016").y_um
    for error, expanded in errors(name, corrected):
        assert abs(error) <= min(allowed, expanded)
        assert expanded <= limit / 3


def test_a_wire_by_micrometer_serves_as_a_certificate_does() -> None:
    wire = truth_of("steel_35")["wire_um"]
    light = of_reference(measured("steel_35"), CertifiedCloth(None, wire, 0.5), "micrometer")
    for error, expanded in errors("steel_35_micro", measured("steel_35_micro", light)):
        assert abs(error) <= min(0.005 * wire, expanded)


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
    measurement = measured(name)
    assert measurement.fit == "indicative"
    assert any(reason in text for text in measurement.fit_reasons)


@pytest.mark.parametrize("name", ["black_50", "steel_10", "steel_22"])
def test_a_small_lamp_or_black_wires_are_measured_without_a_doubt(name: str) -> None:
    assert measured(name).fit == "ok"


@pytest.mark.parametrize("name", ["steel_60", "black_50"])
def test_a_scan_under_another_lamp_than_the_reference_is_doubted(name: str) -> None:
    truth = truth_of("steel_35")
    certified = CertifiedCloth((truth["true_mean_x_um"], truth["true_mean_y_um"]), None, 0.2)
    light = of_reference(measured("steel_35"), certified, "certificate 1")
    wrong = measured(name, light)
    assert wrong.fit == "indicative"
    assert any("not that of the reference cloth" in text for text in wrong.fit_reasons)
    assert all(abs(error) <= expanded for error, expanded in errors(name, wrong))


def test_a_stated_angle_the_picture_contradicts_is_doubted() -> None:
    wrong = measured("steel_60", si.Illumination.stated(5, 0))
    assert any("than a lamp of 5 degrees" in text for text in wrong.fit_reasons)
    assert all(abs(error) <= expanded for error, expanded in errors("steel_60", wrong))


@pytest.mark.parametrize(
    ("certified", "reason"),
    [
        (CertifiedCloth((88.0, 88.0), None, 0.5), "farther from 80 um than the standard allows"),
        (CertifiedCloth((83.5, 83.5), None, 0.5), "no lamp behind the cloth does that"),
        (CertifiedCloth(None, 90.0, 0.5), "beside wires of 90 um its pitch leaves apertures"),
    ],
)
def test_certified_values_that_do_not_fit_the_scan_are_refused(
    certified: CertifiedCloth, reason: str
) -> None:
    with pytest.raises(IlluminationError, match=reason):
        of_reference(measured("steel_10"), certified, "certificate 1")


def test_too_wide_apertures_without_light_on_the_wires_are_no_lamp() -> None:
    with pytest.raises(IlluminationError, match="no light on the sides"):
        of_reference(measured("black_50"), CertifiedCloth((77.0, 77.0), None, 0.5), "certificate 1")


def test_two_cloths_under_other_lamps_do_not_make_one_illumination() -> None:
    def reference(name: str, *others: si.Illumination) -> si.Illumination:
        truth = truth_of(name)
        certified = CertifiedCloth((truth["true_mean_x_um"], truth["true_mean_y_um"]), None, 0.2)
        return of_reference(measured(name), certified, name, others=others)

    first = reference("steel_35")
    both = reference("steel_35_micro", first)
    assert both.u_glow[0] < first.u_glow[0]
    assert "steel_35_micro; reference cloth, steel_35" in both.source
    with pytest.raises(IlluminationError, match="further apart than their uncertainty"):
        reference("steel_60", first)


def test_the_light_entry_tells_what_was_corrected() -> None:
    light = measured("steel_35", stated("steel_35")).to_dict()["light"]
    assert light["lamp_angle_deg"] == [35, 35]
    assert light["view_angle_deg"] == [0, 0]
    assert "35 degrees" in light["source"]
    # The mirror's bound 1 − cos(b/2), half of it, 1/cos²β for wires that lean by β, a tenth more
    # for what they show each other.
    wire = measured("steel_35").directions[0].wire_mean_um
    seen = measured("steel_35").directions[0]
    lean = 1 + (math.pi / 2 * seen.wire_mean_um / (seen.wire_mean_um + seen.mean_um)) ** 2
    g = 1.1 * lean * (1 - math.cos(math.radians(35) / 2)) / 2
    assert light["glow_x_um"] == pytest.approx(wire * g / (1 - g), rel=1e-3)
    assert light["view_x_um"] == 0


def test_angles_that_no_lamp_has_are_refused() -> None:
    for lamp, view in ((95, None), (-1, None), ((10, 90), None), (None, 95), (5, (0, -91))):
        with pytest.raises(si.UsageError, match=r"_angle_deg` of .* degrees: give"):
            si.Illumination.stated(lamp, view)


def test_a_stated_lamp_does_not_hide_a_slanting_view() -> None:
    only_lamp = measured("view_13", si.Illumination.stated(6))
    assert only_lamp.fit == "indicative"
    assert all(abs(error) <= expanded for error, expanded in errors("view_13", only_lamp))
