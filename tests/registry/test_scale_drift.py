"""A scale that jumps is found, and the checks made by the last good one are named."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from scale_lab import SCANNER, ScaleLab, check, drawn_grid, parsed


@pytest.fixture
def jumped(lab: ScaleLab, scan: Path, tmp_path: Path) -> ScaleLab:
    """One check before any jump, then a scale 0.1 % larger along y only."""
    check(lab, scan, day="2026-03-10")
    assert lab.calibrate(day="2026-04-01").code == 0
    check(lab, scan, day="2026-04-10")
    check(lab, scan, day="2026-04-11")
    other = drawn_grid(tmp_path / "later.png", y=20.02)
    assert lab.calibrate(day="2026-05-01", image=other).code == 0
    check(lab, scan, day="2026-05-02")
    return lab


def test_a_jump_names_the_checks_since_the_last_good_scale(jumped: ScaleLab) -> None:
    shown = parsed(jumped("device", "show", "F-24", "--json", "-"))
    assert [one["date"] for one in shown["scales"]] == ["2026-03-02", "2026-04-01", "2026-05-01"]
    (jump,) = shown["jumps"]
    assert (jump["direction"], jump["last_good"]) == ("y", "2026-04-01")
    assert jump["first_bad"] == "2026-05-01"
    assert jump["change_rel"] == pytest.approx(1e-3, rel=0.1)  # as it was drawn
    assert jump["checks"] == ["C-0002", "C-0003"]
    out = jumped("device", "show", "F-24").out
    assert "Jump along y: +0.1" in out
    assert "C-0002, C-0003" in out.replace("\n", " ")
    assert all(len(line) <= 80 for line in out.splitlines())
    # a void check is no longer in question
    assert jumped("correct", "C-0002", "--void", "--reason", "the wrong sieve").code == 0
    shown = parsed(jumped("device", "show", "F-24", "--json", "-"))
    assert shown["jumps"][0]["checks"] == ["C-0003"]


def test_scales_that_agree_within_their_uncertainty_are_no_jump(lab: ScaleLab) -> None:
    assert lab.calibrate(day="2026-04-01").code == 0
    shown = parsed(lab("device", "show", "F-24", "--json", "-"))
    assert len(shown["scales"]) == 2
    assert shown["jumps"] == []


def test_the_history_is_drawn_with_a_mark_for_each_scale(lab: ScaleLab, tmp_path: Path) -> None:
    assert lab.calibrate(day="2026-04-01").code == 0
    svg = tmp_path / "drift.svg"
    assert lab("device", "show", "F-24", "--plot", str(svg)).code == 0
    drawing = ElementTree.parse(svg).getroot()
    assert drawing.tag.endswith("svg")
    assert "days since 2026-03-02" in svg.read_text()
    other = [word if word != "F-24" else "F-48" for word in SCANNER]
    assert lab(*other).code == 0
    assert lab("device", "show", "F-48", "--plot", str(svg)).code == 2
