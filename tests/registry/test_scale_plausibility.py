"""A scale that resolution, setting or history contradict is refused, or accepted with a reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from program import Program
from registry_made import Measuring
from scale_lab import GRID, ScaleLab, check, parsed
from sieve_inspect.image import srgb_to_linear
from sieve_inspect.scale import scale_from_text
from sieve_inspect.scale.artefact.calibrate import observe
from sieve_inspect.scale.artefact.errors import NoTargetError
from sieve_inspect.synthetic import Cloth, Sensor, render
from sieve_registry.scales.errors import ImplausibleScaleError
from sieve_registry.scales.plausibility import (
    accepted,
    contradictions_of_device,
    contradictions_of_tags,
    meant_dpi,
)

FINE = scale_from_text("5.29")  # 25,400 um / 4800 dpi


@pytest.mark.parametrize(
    ("dpi", "contradicts"),
    [(4800, False), (4500, False), (4300, True), (5200, False), (2400, True), (9600, True)],
)
def test_a_tag_may_be_off_by_a_tenth(dpi: float, contradicts: bool) -> None:
    found = list(contradictions_of_tags(FINE, [("a.png", (dpi, dpi))]))
    assert bool(found) == contradicts


@pytest.mark.parametrize("dpi", [None, (72.0, 72.0), (96.012, 96.012), (1.0, 1.0), (300.0,)])
def test_a_placeholder_is_no_resolution(dpi: tuple[float, ...] | None) -> None:
    assert meant_dpi(dpi) is None


def test_a_device_contradicts_by_its_setting_and_its_last_scale() -> None:
    assert list(contradictions_of_device(FINE, "4800 dpi, film", ("F of 2026", (5.3, 5.28)))) == []
    assert list(contradictions_of_device(FINE, "objective 4x", None)) == []
    setting, last = contradictions_of_device(FINE, "2400dpi", ("F of 2026", (5.3, 6.0)))
    assert "-50 %" in setting
    assert "6 um per px in y" in last


def test_a_contradiction_needs_a_reason() -> None:
    with pytest.raises(ImplausibleScaleError, match="a tag") as caught:
        accepted(["a tag"], " ", "Ada Moss")
    assert caught.value.exit_code == 59
    assert accepted([], "", None) == ()
    assert accepted(["a tag"], "resampled", "Ada Moss") == (
        "a tag; accepted by Ada Moss: resampled",
    )


def test_a_check_of_scans_of_half_the_resolution_is_refused(
    lab: ScaleLab, tmp_path: Path, measuring: Measuring
) -> None:
    """A scale of 1270 dpi and scans of 635 dpi: every width would be half of what it is."""
    scan = tmp_path / "half.png"
    Image.new("L", (8, 8)).save(scan, dpi=(635, 635))
    refused = check(lab, scan)
    assert (refused.code, measuring.calls) == (59, [])
    assert "40 um per px in x against 20" in " ".join(refused.err.split())
    assert check(lab, scan, "--accept-scale", "tag lost its factor").code == 0
    (doubt,) = measuring.calls[-1]["judging"].doubts
    assert doubt.endswith("accepted by Bo Reed: tag lost its factor")


def test_a_wrong_pitch_is_refused_when_a_device_is_calibrated(
    lab: ScaleLab, picture: Path, run: Program
) -> None:
    ten = [word.replace("500um", "5mm").replace("500.02um", "5.0002mm") for word in GRID]
    ten[ten.index("G-1")] = "G-10"
    assert run(*ten).code == 0
    words = ("scale", picture, "--artefact", "G-10", "--device", "F-24", "--date", "2026-03-05")
    refused = run(*words)
    assert refused.code == 59
    assert "setting 1270dpi" in " ".join(refused.err.split())
    kept = parsed(run(*words, "--name", "odd", "--accept-scale", "a trial", "--json", "-"))
    assert sum("a trial" in warning for warning in kept["warnings"]) == 3  # tag, setting, last


@pytest.mark.parametrize("pattern", ["dots", "grid"])
def test_cloth_is_not_taken_for_an_artefact(pattern: str) -> None:
    cloth = Cloth(14.2, 9.5, sd_px=0.3, rotation_deg=20, seed=5)
    drawn = render(cloth, sensor=Sensor(noise=0.01, seed=2), shape=(280, 280))
    light = srgb_to_linear(drawn.image / 255.0).astype(np.float32)
    with pytest.raises(NoTargetError, match="cloth is no artefact"):
        observe(light, pattern)
