"""The committed scans are what the recipes draw, and the story names each of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sieve_inspect.scale import load_scale
from sieve_inspect.synthetic import Render
from sieve_registry.demo.actions import Checked, Mislabelled, SieveAdded, Used
from sieve_registry.demo.images import CERTIFICATE, images_folder, scale_name
from sieve_registry.demo.scans import (
    SCALES,
    SCANS,
    TARGETS,
    UNKEPT,
    DrawnScan,
    DrawnTarget,
    draw_all,
    draw_target,
)
from sieve_registry.demo.story import CAPTIONS, STEPS

_MOST_BYTES = 10_000_000


def stored(path: Path) -> np.ndarray:
    if path.suffix == ".tif":
        import tifffile

        return tifffile.imread(path)
    with Image.open(path) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize("scan", SCANS, ids=[scan.name for scan in SCANS])
def test_a_scan_is_what_its_recipe_draws(
    drawn: Callable[[DrawnScan], Render], scan: DrawnScan
) -> None:
    fresh = drawn(scan).image.astype(int)
    kept = stored(images_folder() / scan.name).astype(int)
    assert kept.shape == fresh.shape
    # Sums in another order may tip a rounding; a JPEG decoder of another make a little more.
    assert np.abs(kept - fresh).max() <= (4 if scan.name.endswith(".jpg") else 1)


@pytest.mark.parametrize("target", TARGETS, ids=[target.name for target in TARGETS])
def test_a_picture_of_the_artefact_is_what_its_recipe_draws(target: DrawnTarget) -> None:
    drawn = draw_target(target).astype(int)
    kept = stored(images_folder() / target.name).astype(int)
    assert kept.shape == drawn.shape
    assert np.abs(kept - drawn).mean() < 2  # JPEG


def test_the_scale_files_hold_what_was_drawn() -> None:
    for dpi, scale in SCALES.items():
        assert load_scale(images_folder() / scale_name(dpi)) == scale


def test_the_story_uses_every_scan_and_each_exists() -> None:
    told = {
        name for step in STEPS if isinstance(step.action, Checked) for name in step.action.scans
    }
    told |= {
        name
        for step in STEPS
        if isinstance(step.action, Mislabelled)
        for name in step.action.checked.scans
    }
    assert told == {scan.name for scan in (*SCANS, *UNKEPT)}
    dpi = {scan.name: scan.dpi for scan in (*SCANS, *UNKEPT)}
    for step in STEPS:
        if isinstance(step.action, Checked):
            assert {dpi[name] for name in step.action.scans} == {step.action.dpi}
    added = [step.action.sieve.id for step in STEPS if isinstance(step.action, SieveAdded)]
    assert sorted(added) == sorted(CAPTIONS)


def test_the_story_runs_forward() -> None:
    late = [step.action.recorded_late if isinstance(step.action, Used) else 0 for step in STEPS]
    days = [step.days_ago - later for step, later in zip(STEPS, late, strict=True)]
    assert days == sorted(days, reverse=True)
    assert days[0] > 2.9 * 365
    assert days[-1] >= 1


def test_the_folder_stays_small() -> None:
    assert sum(path.stat().st_size for path in images_folder().iterdir()) < _MOST_BYTES


def test_one_command_draws_them_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sieve_registry.demo.scans.SCANS", SCANS[:1])
    monkeypatch.setattr("sieve_registry.demo.scans.TARGETS", TARGETS[:1])
    written = draw_all(tmp_path)
    assert sorted(path.name for path in written) == sorted(
        [SCANS[0].name, TARGETS[0].name, CERTIFICATE, *(scale_name(dpi) for dpi in SCALES)]
    )
    again = [path.read_bytes() for path in written]
    draw_all(tmp_path)
    assert [path.read_bytes() for path in written] == again
