"""What a device's lamp does to round wires: recorded from a reference cloth, used by its checks."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from program import Program
from registry_made import Measuring
from scale_lab import SCANNER, ScaleLab, check, parsed
from shared_run import share_pictures
from sieve_inspect.illumination.model import Illumination, LightKnown
from sieve_inspect.synthetic import Cloth, Lamp, Optics, RoundLight, Sensor, render, save

# Cloth of 250 um at 20 um/px with steel wires of 160 um under a lamp of 30 degrees.
APERTURE_PX, WIRE_PX = 12.6, 8.1


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    """Records of illuminations are tested here; how cloth is measured is tested elsewhere."""
    share_pictures(monkeypatch, shared)


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """A picture of the reference cloth and its true means in x and y, as a certificate has them."""
    cloth = Cloth(APERTURE_PX, WIRE_PX, sd_px=0.1, rotation_deg=4, seed=3)
    drawn = render(
        cloth, Optics(), Sensor(noise=0.004), (260, 300), light=RoundLight(Lamp((30, 30)))
    )
    path = tmp_path_factory.mktemp("reference") / "reference.png"
    save(drawn, path)
    x, y = (20 * width[drawn.truth.sound].mean() for width in drawn.truth.widths(1, 1))
    return path, f"{x:.3f}um", f"{y:.3f}um"


def illuminate(lab: ScaleLab, reference: tuple[Path, str, str], *words: object) -> object:
    path, x, y = reference
    return parsed(
        lab(
            "illumination",
            path,
            "--nominal",
            "250um",
            "--um-per-px",
            "20",
            "--mean-x",
            x,
            "--mean-y",
            y,
            "--u-mean",
            "0.5um",
            "--source",
            "certificate 7, Brook Metrology",
            "--device",
            "F-24",
            "--date",
            "2026-03-05",
            "--by",
            "Ada Moss",
            "--json",
            "-",
            *words,
        )
    )


def used(measuring: Measuring) -> Illumination:
    light = measuring.calls[-1]["illumination"]
    assert isinstance(light, Illumination)
    return light


def test_an_illumination_is_kept_with_its_scans_and_used_by_the_next_check(
    lab: ScaleLab, reference: tuple[Path, str, str], scan: Path, measuring: Measuring
) -> None:
    since = ("--received", "2026-03-01", "--by", "Ada Moss")
    lab("equipment", "add", "MIC-1", "--kind", "micrometer", *since)
    kept = illuminate(lab, reference, "--equipment", "mic-1")
    assert isinstance(kept, dict)
    failed = ("check", "--outcome", "fail", "--date", "2026-03-05", "--by", "Ada Moss")
    lab("equipment", "log", "MIC-1", *failed)
    assert "illumination F-24" in lab("equipment", "show", "MIC-1").out
    assert kept["device"] == "F-24"
    assert kept["valid_until"] == "2027-03-05"
    assert 0.005 < kept["glow_x"] < 0.04  # at most 1 − cos 15° = 3.4 %
    parsed(check(lab, scan, "--json", "-"))
    assert used(measuring).known is LightKnown.REFERENCE
    assert used(measuring).glow[0] == kept["glow_x"]
    assert "certificate 7" in used(measuring).source
    assert parsed(lab("verify", "--json", "-"))["ok"]


def test_what_is_named_or_stated_for_a_check_comes_first(
    lab: ScaleLab,
    reference: tuple[Path, str, str],
    scan: Path,
    measuring: Measuring,
    tmp_path: Path,
) -> None:
    file = tmp_path / "light.json"
    illuminate(lab, reference, "--name", "pad", "--out", file)
    check(lab, scan, "--lamp-angle", "4", "--view-angle", "0")
    assert used(measuring).lamp_deg == (4, 4)
    for name in ("pad", file):
        assert check(lab, scan, "--illumination", name).code == 0
        assert used(measuring).known is LightKnown.REFERENCE
    both = check(lab, scan, "--illumination", "pad", "--lamp-angle", "4")
    assert both.code == 2
    assert "not both" in both.err


def test_a_device_keeps_lamp_and_view(lab: ScaleLab, scan: Path, measuring: Measuring) -> None:
    answer = check(lab, scan)
    assert used(measuring) == Illumination()
    assert "device F-24 has no lamp and view on record" in " ".join(answer.out.split())
    words = list(SCANNER)
    words[words.index("F-24")] = "F-25"
    added = lab(*words, "--sensor", "contact", "--lamp-angle", "5,6", "--json", "-")
    assert parsed(added)["lamp_deg"] == [5, 6]
    words[words.index("F-25")] = "F-27"
    sure = lab(*words, "--lamp-angle", "30", "--u-lamp-angle", "8", "--json", "-")
    assert parsed(sure)["u_lamp_deg"] == 4
    words[words.index("F-27")] = "F-26"
    line = lab(*words, "--sensor", "line camera", "--line-middle", "108mm", "--json", "-")
    assert parsed(line)["line_um"] == [108_000, 300_000]  # the optical path of a scanner
    shown = lab("device", "show", "F-25").out
    assert "lamp of 5 by 6 degrees half-angle" in " ".join(shown.split())


@pytest.mark.parametrize(
    ("words", "tells"),
    [
        (("--sensor", "lens"), "--sensor is one of line camera, contact"),
        (("--sensor", "contact", "--view-angle", "3"), "has no slanting view"),
        (("--line-middle", "100mm", "--view-angle", "3"), "or a view angle, not both"),
        (("--lamp-angle", "90"), "--lamp-angle of 90 degrees: give 0 to 89"),
        (("--lamp-angle", "9", "--u-lamp-angle", "-1"), "--u-lamp-angle of -0.5 degrees"),
        (("--lamp-angle", "wide"), "--lamp-angle needs a number"),
    ],
)
def test_an_impossible_device_is_refused(lab: ScaleLab, words: tuple[str, ...], tells: str) -> None:
    device = list(SCANNER)
    device[device.index("F-24")] = "F-25"
    answer = lab(*device, *words)
    assert answer.code == 2
    assert tells in answer.err


def test_an_illumination_of_another_device_or_an_expired_one_is_refused(
    lab: ScaleLab, reference: tuple[Path, str, str], scan: Path, run: Program
) -> None:
    words = list(SCANNER)
    words[words.index("F-24")] = "F-25"
    assert lab(*words).code == 0
    illuminate(lab, reference, "--name", "other", "--device", "F-25")
    before = parsed(lab("verify", "--json", "-"))["events"]
    for name, day, tells in (
        ("other", "2026-04-01", "it belongs to device F-25, not F-24"),
        ("nobody", "2026-04-01", "There is no recorded illumination and no file 'nobody'"),
    ):
        answer = check(lab, scan, "--illumination", name, day=day)
        assert answer.code in (56, 57)
        assert tells in answer.err
    illuminate(lab, reference, "--name", "short", "--interval-months", "1")
    answer = check(lab, scan, "--illumination", "short", day="2026-04-06")
    assert answer.code == 57
    assert "it was valid until 2026-04-05, not on 2026-04-06" in answer.err
    assert parsed(lab("verify", "--json", "-"))["events"] == before + 1


def test_a_check_under_another_lamp_than_its_reference_cloth_is_refused(
    lab: ScaleLab, reference: tuple[Path, str, str], scan: Path, measuring: Measuring
) -> None:
    illuminate(lab, reference)
    before = parsed(lab("verify", "--json", "-"))["events"]
    measuring.other_lamp = True
    answer = check(lab, scan)
    assert answer.code == 57
    assert "the light on the sides of the wires is not that of its reference cloth" in answer.err
    assert parsed(lab("verify", "--json", "-"))["events"] == before
    # A stated angle that the scan contradicts leaves the result indicative, no more.
    assert check(lab, scan, "--lamp-angle", "4").code == 0


def test_nothing_is_recorded_of_a_certificate_that_does_not_fit(
    lab: ScaleLab, reference: tuple[Path, str, str], tmp_path: Path
) -> None:
    before = parsed(lab("verify", "--json", "-"))["events"]
    path, out = reference[0], tmp_path / "light.json"
    for certified, tells in (
        (("--mean-x", "275um", "--mean-y", "275um", "--u-mean", "1um"), "than the standard allows"),
        (("--wire", "146um", "--u-wire", "1um"), "beside wires of 146 um its pitch leaves"),
        (("--wire", "178um", "--u-wire", "1um"), "beside wires of 178 um its pitch leaves"),
    ):
        answer = lab(
            "illumination", path, "--nominal", "250um", "--um-per-px", "20", *certified,
            "--source", "c 7", "--device", "F-24", "--out", out,
        )  # fmt: skip
        assert answer.code == 29
        assert tells in answer.err
    assert not out.exists()
    assert parsed(lab("verify", "--json", "-"))["events"] == before


def test_one_field_of_a_certified_cloth_is_said_to_be_little(
    run: Program, reference: tuple[Path, str, str], tmp_path: Path
) -> None:
    path, x, y = reference
    known = {"mean": ("--mean-x", x, "--mean-y", y, "--u-mean", "0.5um"),
             "wire": ("--wire", f"{20 * WIRE_PX}um", "--u-wire", "1um")}  # fmt: skip
    for name, values in known.items():
        answer = run(
            "illumination", path, "--nominal", "250um", "--um-per-px", "20", *values,
            "--out", tmp_path / name,
        )  # fmt: skip
        assert answer.code == 0, answer.err
        assert ("scan more fields" in answer.out) == (name == "mean")


def test_an_illumination_can_be_declared_void(
    lab: ScaleLab, reference: tuple[Path, str, str], scan: Path, measuring: Measuring
) -> None:
    illuminate(lab, reference)
    events = parsed(lab("verify", "--json", "-"))["events"]
    answer = lab("correct", events, "--void", "--reason", "another lamp was in place")
    assert answer.code == 0, answer.err
    check(lab, scan)
    assert used(measuring) == Illumination()


def test_a_damaged_illumination_file_is_one_sentence(
    run: Program, tmp_path: Path, scan: Path
) -> None:
    file = tmp_path / "light.json"
    good = Illumination.stated(10, 0).to_dict()
    for content, tells in (
        ("", "not JSON"),
        ("[]", "its schema is not"),
        (json.dumps({**good, "glow_x": "wide"}), "could not convert"),
        (json.dumps({k: v for k, v in good.items() if k != "u_glow_y"}), "u_glow_y is missing"),
        (json.dumps({**good, "u_glow_x": 0}), "between 0 and 0.5"),
        (json.dumps({**good, "glow_x": 0.9}), "between -0.05 and 0.5"),
    ):
        file.write_text(content)
        answer = run(
            "measure", scan, "--nominal", "75um", "--um-per-px", "5", "--illumination", file
        )
        assert answer.code == 29
        assert tells in answer.err


def test_an_audit_lists_the_evidence_of_an_illumination(
    lab: ScaleLab, reference: tuple[Path, str, str], tmp_path: Path
) -> None:
    illuminate(lab, reference)
    out = tmp_path / "audit"
    assert lab("audit", "--as-of", "2026-03-31", "--out", out).code == 0
    listed = (out / "evidence.csv").read_text()
    assert "illumination measured: F-24,illumination,illumination.json" in listed
    assert "illumination measured: F-24,scan,reference.png" in listed
