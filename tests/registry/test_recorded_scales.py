"""A scale is recorded, found by name, and held against what a check says of its scans."""

from __future__ import annotations

import json
from dataclasses import replace
from math import hypot, radians, sqrt
from pathlib import Path

import pytest
from PIL import Image

from clock import Clock
from program import Program
from registry_made import Measuring
from scale_lab import GRID, SCANNER, ScaleLab, check, parsed
from sieve_inspect.scale.parts import Cause, Sensor
from sieve_registry.checks.queries import get_check
from sieve_registry.report.gather import chain_lines
from sieve_registry.scales.artefacts import Device
from sieve_registry.scales.surroundings import of_stand_off
from sieve_registry.store.engine import Registry


def test_a_calibration_is_kept_with_its_file_and_picture(lab: ScaleLab) -> None:
    kept = lab.recorded
    assert (kept["name"], kept["device"], kept["artefact"]) == ("F-24", "F-24", "G-1")
    assert (kept["date"], kept["valid_until"]) == ("2026-03-02", "2027-03-02")
    assert kept["um_per_px_x"] == pytest.approx(20.0, rel=2e-4)  # as it was drawn
    assert [file["role"] for file in kept["evidence"]] == ["scale", "residuals"]
    # The certificate alone gives U = 0.1 um of 500.02 um.
    assert 0.1 / 500.02 <= kept["U_rel_x"] < 4e-4
    assert parsed(lab("verify", "--json", "-"))["ok"]


def test_a_check_by_name_keeps_the_whole_chain_and_the_report_shows_it(
    lab: ScaleLab, scan: Path, measuring: Measuring
) -> None:
    found = parsed(check(lab, scan, "--json", "-"))
    trace = found["trace"]
    assert trace["certificate"]["number"] == "2025-117"
    assert trace["artefact"]["id"] == "G-1"
    assert (trace["scale"]["name"], trace["scale"]["event"]) == ("F-24", lab.recorded["event"])
    assert found["outcome"] == "pass"
    assert measuring.calls[-1]["scale"].source.startswith("certificate 2025-117")
    lines = chain_lines(trace)
    assert [name for name, _ in lines] == [
        "Certificate", "Artefact", "Scale of the device", "This check",
    ]  # fmt: skip
    assert "Brook Metrology" in lines[0][1]
    assert "500.02" in lines[1][1]


@pytest.mark.parametrize(
    ("words", "day", "code", "tells"),
    [
        ((), "2027-03-03", 52, "was valid until 2027-03-02"),
        (("--setting", "1200dpi"), "2026-04-01", 53, "'1270dpi', not at '1200dpi'"),
        (("--stand-off", "1.2mm"), "2026-04-01", 54, "1 mm allowed"),
        (("--temperature", "31"), "2026-04-01", 55, "its range is 15 to 30"),
    ],
)
def test_what_the_scale_does_not_hold_for_is_refused(
    lab: ScaleLab,
    scan: Path,
    registry: Registry,
    clock: Clock,
    words: str,
    day: str,
    code: int,
    tells: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sieve_registry.store.engine.Registry.today", lambda _: clock.day)
    clock.set("2027-12-31")
    answer = check(lab, scan, *words, day=day)
    assert answer.code == code, answer.err
    assert tells in answer.err
    assert parsed(lab("sieve", "show", "S-1", "--json", "-"))["checks"] == []


def test_an_expired_artefact_is_refused_at_the_check_and_at_the_calibration(
    lab: ScaleLab, scan: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sieve_registry.store.engine.Registry.today", lambda _: clock.day)
    clock.set("2027-12-31")
    assert lab.calibrate(day="2027-05-30").code == 0
    refused = check(lab, scan, day="2027-06-01")
    assert refused.code == 51
    assert "no valid certificate on 2027-06-01" in refused.err
    assert lab.calibrate(day="2027-06-01").code == 51
    renewed = [*GRID, "--renew"]
    renewed[renewed.index("2027-05-31")] = "2029-05-31"
    assert lab(*renewed).code == 0
    assert check(lab, scan, day="2027-06-01").code == 0


@pytest.mark.parametrize(
    ("outcome", "becomes"), [("pass", "conditional pass"), ("fail", "conditional fail")]
)
def test_an_accepted_expired_scale_names_person_and_reason_and_is_conditional(
    lab: ScaleLab,
    scan: Path,
    measuring: Measuring,
    registry: Registry,
    clock: Clock,
    monkeypatch: pytest.MonkeyPatch,
    outcome: str,
    becomes: str,
) -> None:
    monkeypatch.setattr("sieve_registry.store.engine.Registry.today", lambda _: clock.day)
    clock.set("2027-12-31")
    measuring.outcome = outcome
    words = ("--accept-expired", "the new plate is late", "--json", "-")
    found = parsed(check(lab, scan, *words, day="2027-04-01"))
    assert found["outcome"] == becomes
    assert found["trace"]["accepted"] == {
        "why": "the new plate is late",
        "by": "Bo Reed",
        "expired": ["scale F-24 expired on 2027-03-02"],
    }
    assert "accepted by Bo Reed: the new plate is late" in found["reasons"][-1]
    payload = json.loads(get_check(registry, found["id"]).event.payload)
    assert payload["trace"]["accepted"]["why"] == "the new plate is late"
    assert "the new plate is late" in chain_lines(payload["trace"])[3][1]


def test_a_reason_for_nothing_expired_leaves_the_outcome(lab: ScaleLab, scan: Path) -> None:
    found = parsed(check(lab, scan, "--accept-expired", "to be sure", "--json", "-"))
    assert found["outcome"] == "pass"
    assert "accepted" not in found["trace"]


def test_stand_off_and_temperature_within_limits_are_corrected_or_in_u(
    lab: ScaleLab, scan: Path, measuring: Measuring
) -> None:
    assert check(lab, scan).code == 0
    plain = measuring.calls[-1]["scale"]
    assert check(lab, scan, "--stand-off", "0.6mm", "--temperature", "26").code == 0
    wider = measuring.calls[-1]["scale"]
    # 0.6 mm of a 300 mm path; left at 26 degrees 2 ppm/K of steel, 1 K of the thermometer, and
    # 24 ppm/K of a device last seen at 20 degrees: a/sqrt(3), GUM 4.3.7.
    left = hypot(2 * 6, 17 * 1, 24 * 6) * 1e-6
    added = hypot(0.6 / 300, left) / sqrt(3)
    assert wider.u_rel_x == pytest.approx(hypot(plain.u_rel_x, added), rel=1e-9)
    # Widths are given at 20 degrees: steel of 17 ppm/K is 6 K too long.
    assert wider.um_per_px_x == pytest.approx(plain.um_per_px_x * (1 - 17e-6 * 6), rel=1e-12)


def test_an_artefact_seen_warm_is_corrected_and_says_nothing_of_the_check(
    lab: ScaleLab, scan: Path, measuring: Measuring
) -> None:
    """8.5 ppm/K over 4 K: the pitch was 1 + 34e-6 of the certified; a tenth of it and 1 K left."""
    warm = parsed(lab.calibrate("--temperature", "24", "--name", "warm", "--json", "-"))
    cold = lab.recorded
    assert warm["um_per_px_x"] / cold["um_per_px_x"] - 1 == pytest.approx(34e-6, rel=1e-3)
    left = 8.5e-6 * hypot(0.1 * 4, 1) / sqrt(3)
    kept = warm["recorded"]
    assert kept["U_rel_x"] / 2 == pytest.approx(hypot(cold["U_rel_x"] / 2, left), rel=1e-3)
    used = ("check", "S-1", scan, "--scale", "warm", "--date", "2026-04-01", "--by", "Bo Reed")
    assert lab(*used).code == 0
    assert Cause.TEMPERATURE not in measuring.calls[-1]["scale"].stated
    assert lab(*used, "--temperature", "21", "--accept-scan", "a drawn scan").code == 0
    assert Cause.TEMPERATURE in measuring.calls[-1]["scale"].stated


def test_the_height_of_the_cloth_is_compared_without_being_typed(
    lab: ScaleLab, scan: Path, measuring: Measuring
) -> None:
    """A device that holds the cloth 22 mm up and a scale from the glass: 7.3 % by 22/300."""
    high = [word if word != "F-24" else "F-25" for word in SCANNER]
    high[high.index("0um")] = "22mm"
    assert lab(*high, "--sensor", "contact").code == 0
    words = ("scale", lab.picture, "--artefact", "G-1", "--device", "F-25", "--date", "2026-03-02")
    unstated = lab(*words)
    assert unstated.code == 2
    assert "give --stand-off" in unstated.err.lower()
    assert lab(*words, "--stand-off", "0um").code == 0
    used = ("check", "S-1", scan, "--scale", "F-25", "--date", "2026-04-01", "--by", "Bo Reed")
    refused = lab(*used)
    assert (refused.code, "22 mm" in refused.err) == (54, True)
    assert not measuring.calls
    assert lab(*words, "--stand-off", "21.5mm", "--name", "F-25-high").code == 0
    measured = lab(*used[:4], "F-25-high", *used[5:], "--json", "-")
    assert parsed(measured)["trace"]["check"]["stand_off_um"] == "22000.0"
    used_scale = measuring.calls[-1]["scale"]
    assert used_scale.sensor is Sensor.CONTACT
    # 0.5 mm from the artefact, straight down (see below); a lens would make 0.1 % of it.
    u = used_scale.u_rel_by_cause(0)[Cause.STAND_OFF]
    assert u == pytest.approx(0.5 * radians(0.1) / 10 / sqrt(3))


def test_a_name_is_the_recorded_scale_and_a_path_is_a_file(
    lab: ScaleLab, scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    named = check(lab, scan)
    assert named.err == ""
    (tmp_path / "F-24").write_text("something else")
    told = check(lab, scan)
    assert told.code == 0
    assert "is taken as the recorded scale" in told.err
    other = tmp_path / "other.json"
    other.write_text(json.dumps({
        "schema": "sieveward.scale/1", "um_per_px_x": 5, "um_per_px_y": 5, "u_rel_x": 0.001,
        "u_rel_y": 0.001, "source": "a file",
    }))  # fmt: skip
    again = ("--accept-scan", "a drawn scan")
    found = parsed(lab("check", "S-1", scan, "--scale", "other.json", "--json", "-", *again))
    assert found["trace"] is None
    missing = lab("check", "S-1", scan, "--scale", "F-25")
    assert missing.code == 56
    held = lab("check", "S-1", scan, "--scale", "other.json", "--setting", "1270dpi")
    assert held.code == 2


def test_a_dpi_tag_that_disagrees_is_reported_and_ignored(lab: ScaleLab, tmp_path: Path) -> None:
    wrong = tmp_path / "field.png"
    Image.new("L", (8, 8)).save(wrong, dpi=(1200, 1200))
    warning = "its dpi tag gives 21.167 um per px, the scale 20"
    answer = check(lab, wrong)
    assert answer.code == 0
    assert warning in " ".join(answer.out.split())
    assert warning in parsed(check(lab, wrong, "--json", "-"))["warnings"][0]
    Image.new("L", (8, 8)).save(wrong, dpi=(1268, 1268))
    assert parsed(check(lab, wrong, "--lamp-angle", "4", "--json", "-"))["warnings"] == []


def test_a_scale_is_recorded_of_known_things_only(
    lab: ScaleLab, picture: Path, run: Program
) -> None:
    half = run("scale", str(picture), "--artefact", "G-1")
    assert half.code == 2
    both = run("scale", str(picture), "--artefact", "G-1", "--device", "F-24", "--pitch", "400um")
    assert both.code == 2
    assert run("scale", str(picture), "--artefact", "G-9", "--device", "F-24").code == 56
    assert run("scale", str(picture), "--artefact", "G-1", "--device", "F-9").code == 56
    early = lab.calibrate("--temperature", "40")
    assert early.code == 55
    other = [word if word != "F-24" else "F-48" for word in SCANNER]
    assert run(*other).code == 0
    taken = run("scale", str(picture), "--artefact", "G-1", "--device", "F-48", "--name", "F-24")
    assert taken.code == 2
    assert "belongs to device F-24" in taken.err


def test_the_audit_lists_checks_by_no_valid_scale(
    lab: ScaleLab, scan: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.json"
    other.write_text(json.dumps({
        "schema": "sieveward.scale/1", "um_per_px_x": 5, "um_per_px_y": 5, "u_rel_x": 0.001,
        "u_rel_y": 0.001, "source": "a plate",
    }))  # fmt: skip
    by_file = ("check", "S-1", scan, "--scale", other, "--accept-scan", "a drawn scan", "--date")
    assert lab(*by_file, "2026-03-01").code == 0  # before any scale was recorded
    assert check(lab, scan).code == 0
    assert lab(*by_file, "2026-04-02").code == 0
    assert lab.calibrate("--interval-months", "1", "--name", "short").code == 0
    late = ("check", "S-1", scan, "--scale", "short", "--date", "2026-04-20", "--by", "Bo")
    reasons = ("--accept-expired", "a spare is coming", "--accept-scan", "a drawn scan")
    assert lab(*late, *reasons).code == 0
    found = parsed(lab("audit", "--as-of", "2026-05-01", "--json", "-"))["no_scale"]
    assert [(row["check"], row["why"]) for row in found] == [
        ("C-0001", "scale not recorded: made for a test"),
        ("C-0003", "scale not recorded: made for a test"),
        ("C-0004", "scale short expired on 2026-04-02; accepted by Bo: a spare is coming"),
    ]


def test_the_height_costs_what_the_sensor_makes_of_it() -> None:
    """1 mm of 300 mm; straight down a slant of 0.1° over fields of 10 mm; rectangles."""
    assert of_stand_off(1_000, 300_000).u_rel == pytest.approx(1 / 300 / sqrt(3))
    slant = radians(0.1) / 10 / sqrt(3)
    assert of_stand_off(-1_000, 300_000, Sensor.CONTACT).u_rel == pytest.approx(slant)
    plain = Device("M-1", "microscope", "1", "4x", "transmitted", "srgb", 0.0, 100.0, 30_000.0)
    assert plain.sees_by is Sensor.AREA_CAMERA
    assert replace(plain, sensor="telecentric").sees_by is Sensor.TELECENTRIC
    assert replace(plain, kind="scanner").sees_by is Sensor.LINE_CAMERA
