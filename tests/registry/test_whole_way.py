"""The whole way with nothing replaced: a drawn scan, measured, judged, recorded, proven.

The truth comes from the drawing: apertures of 15 px at 5 um/px are 75 um, 18 px are 90 um.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from program import Program
from sieve_inspect.synthetic import Cloth, Sensor, render, save

TYPED = ("--um-per-px", "5", "--encoding", "srgb", "--by", "Ada Moss", "--json", "-")


@pytest.fixture
def lab(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Program:
    return Program(monkeypatch, capsys, tmp_path / "lab.sqlite")


def draw(path: Path, aperture_px: float, seed: int) -> str:
    cloth = Cloth(aperture_px, 10.0, sd_px=0.3, rotation_deg=0.7, seed=seed)
    save(render(cloth, sensor=Sensor(noise=0.01, seed=seed), shape=(420, 560)), path)
    return str(path)


def test_a_good_sieve_and_a_worn_one(lab: Program, tmp_path: Path) -> None:
    good = draw(tmp_path / "good.png", 15.0, 4)
    worn = draw(tmp_path / "worn.png", 16.6, 5)
    assert lab("sieve", "add", "S-1", "--nominal", "No. 200", "--in-service", "2025-01-31")[0] == 0

    code, out, err = lab("check", "S-1", good, *TYPED, "--date", "2025-01-31", "--fail-on", "fail")
    first = json.loads(out)
    assert (code, err, first["outcome"]) == (0, "", "conditional pass")
    wanted = ("the sampling plan is not met", "the visual examination", "no certified artefact")
    assert all(any(words in reason for reason in first["reasons"]) for words in wanted)
    for direction in first["directions"].values():
        assert abs(direction["mean_um"] - 75) < 3 * direction["u_mean_um"]

    code, out, _ = lab("check", "S-1", worn, *TYPED, "--fail-on", "fail")
    second = json.loads(out)
    assert (code, second["id"], second["outcome"]) == (1, "C-0002", "fail")
    assert second["action"] == "retire"

    code, out, _ = lab("sieve", "show", "S-1", "--json", "-")
    shown = json.loads(out)
    assert shown["status"] == "in service"  # the tool proposes, a person decides
    assert [check["id"] for check in shown["checks"]] == ["C-0001", "C-0002"]

    proof = json.loads(lab("verify", "--json", "-")[1])
    assert (proof["ok"], proof["events"]) == (True, 3)


def test_a_picture_that_cannot_be_measured_leaves_no_check(lab: Program, tmp_path: Path) -> None:
    grey = tmp_path / "coarse.png"
    save(render(Cloth(15.0, 10.0), shape=(200, 200)), grey)
    lab("sieve", "add", "S-1", "--nominal", "75um")
    code, out, err = lab("check", "S-1", str(grey), "--um-per-px", "50")
    assert (code, out) == (16, "")
    assert err.count("\n") == 1
    assert not list(tmp_path.rglob("*.evidence/*"))
    assert json.loads(lab("verify", "--json", "-")[1])["events"] == 1
