"""An artefact lying beside the cloth in the same picture: drawn with the same device, side by side.

The truth is the device's own scale, and the widths of the drawn cloth moved through it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from cases import others_long
from program import Program
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import Scale
from sieve_inspect.scale.artefact.calibrate import calibrate_light
from sieve_inspect.scale.artefact.errors import NoTargetError
from sieve_inspect.scale.artefact.in_scan import DeviceScale as Known
from sieve_inspect.scale.artefact.in_scan import InScan, scale_in_scan
from sieve_inspect.scale.calibration import Artefact
from sieve_inspect.scale.parts import Cause
from sieve_inspect.synthetic import Cloth, Optics, Sensor, render
from sieve_inspect.synthetic.targets import Device, Target, render_target

SX, SY = 20.013, 19.991
SOFT = Optics("gaussian", 0.9)
NEAR = Known(Scale(20.1, 20.1, 0.001, 0.001))  # half a per cent off: good enough to look by


def drawn(path: Path, pattern: Any = "dots", *, left: bool = False, turn: float = 2.0) -> Any:
    """Cloth of 300 um beside an artefact of 22 by 22 marks (a chequerboard: of 242)."""
    px = float(np.sqrt(SX * SY))
    cloth = Cloth(300 / px, 200 / px, sd_px=0.1, rotation_deg=turn, stretch_x=px / SX,
                  stretch_y=px / SY, seed=3)  # fmt: skip
    made = render(cloth, SOFT, Sensor(noise=0.005), (520, 420))
    width = 200.0 if pattern == "dots" else 90.0
    target = Target(pattern, 400.0, width, 22, 22, -3.0, dust=6, hairs=1, seed=4)
    beside = render_target(target, Device(SX, SY, edge_bias_px=0.1), SOFT, Sensor(noise=0.005),
                           (520, 490))  # fmt: skip
    parts = [beside.image, made.image] if left else [made.image, beside.image]
    Image.fromarray(np.hstack(parts)).save(path)
    return made.truth


def artefact(pattern: str = "dots") -> Artefact:
    width = {"dots": None, "grid": 90.0, "checker": 400.0}[pattern]
    return Artefact(pattern, 400.0, 0.01, width, 0.1 if width else 0.0, "certificate 7")


def mean_of(truth: Any, direction: str) -> float:
    """Mean width in um of the sound openings, from the edges as drawn."""
    edges = getattr(truth, f"edges_{direction}") * np.array([SX, SY])
    along = getattr(truth, f"along_{direction}") * np.array([SX, SY])
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = edges[:, 1] - edges[:, 0]
    width = np.abs(across[:, 0] * along[:, 1] - across[:, 1] * along[:, 0])
    return float(width[truth.state == "ok"].mean())


@pytest.mark.parametrize(
    ("pattern", "left", "turn"),
    others_long([("dots", False, 2.0), ("grid", True, 31.0), ("checker", True, 1)]),
)
def test_the_run_is_corrected_and_the_artefact_is_no_cloth(
    tmp_path: Path, pattern: str, left: bool, turn: float
) -> None:
    picture = tmp_path / "both.png"
    truth = drawn(picture, pattern, left=left, turn=turn)
    found = scale_in_scan(picture, artefact(pattern), device=NEAR)
    # The figures an artefact of 400 marks is held to: scale 2e-5, shear 0.005 degrees.
    assert found.scale.um_per_px_x == pytest.approx(SX, rel=2e-5)
    assert found.scale.um_per_px_y == pytest.approx(SY, rel=2e-5)
    assert found.scale.shear_deg == pytest.approx(0, abs=0.005)
    if pattern != "dots":
        assert found.scale.edge_bias_px == pytest.approx(0.1, abs=0.02)
    inner = (0, 490) if left else (420, 910)
    assert inner[0] - 30 <= found.region[0] < inner[0] + 60
    assert inner[1] - 60 < found.region[2] <= inner[1] + 30
    cloth = measure([picture], nominal_um=300.0, scale=found.scale, in_scan=[found])
    assert cloth.count("ok") > 250
    assert (cloth.count("torn"), cloth.count("blocked")) == (0, 0)
    places = cloth.pictures[0].field.centre[cloth.pictures[0].field.ok]
    beside = 490 if left else 0
    assert ((places[:, 0] > beside) & (places[:, 0] < beside + 420)).all()
    bias = 0.2 * 20 if pattern != "dots" else 0.0  # taken off, though this cloth has none
    for summary, direction in zip(cloth.directions, "xy", strict=True):
        off = summary.mean_um + bias - mean_of(truth, direction)
        assert abs(off) < 2 * summary.u_mean_um


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("run") / "both.png"
    drawn(path)
    return path


@pytest.fixture(scope="module")
def alone(picture: Path) -> InScan:
    return scale_in_scan(picture, artefact(), device=NEAR)


def test_each_way_carries_its_own_budget(picture: Path, alone: InScan) -> None:
    names = {row.name for row in alone.budget}
    assert "from the artefact to the cloth" in names
    assert "picture to picture" not in names
    # The slope of one wave of 240 um over the 297 mm of A4 (Boron, ISPRS 1996), a/sqrt(2): far
    # above the fit's own u.
    assert alone.scale.u_rel_x == pytest.approx(np.pi * 240 / 297_000 / 2**0.5, rel=0.02)
    whole = Target("dots", 500.0, 250.0, 21, 21, 1.0)
    image = render_target(whole, Device(20.0, 20.0), SOFT, Sensor(noise=0.005), (520, 910)).image
    device = calibrate_light([(image / 255).astype(np.float32)], Artefact("dots", 500.0)).scale
    with_map = scale_in_scan(picture, artefact(), device=Known(device, (1e-5, 2e-5)))
    assert {row.name for row in with_map.budget} >= {"map of the device", "pitch of the artefact"}
    assert with_map.scale.u_rel_x < 5e-5 < alone.scale.u_rel_x
    # 20.0 at the calibration, 20.013 and 19.991 in this run
    assert with_map.scale.um_per_px_x == pytest.approx(SX, rel=1e-4)
    assert with_map.scale.um_per_px_y == pytest.approx(SY, rel=1e-4)


def test_a_region_needs_no_scale_to_look_by(picture: Path, alone: InScan) -> None:
    given = scale_in_scan(picture, artefact(), region=alone.region)
    assert given.scale.um_per_px_x == pytest.approx(alone.scale.um_per_px_x, rel=1e-9)


def test_what_is_not_there_is_not_found(picture: Path) -> None:
    far = Known(Scale(27.0, 27.0, 0.001, 0.001))
    with pytest.raises(NoTargetError, match="no part of the picture shows marks"):
        scale_in_scan(picture, artefact(), device=far)
    with pytest.raises(NoTargetError):  # the cloth is no artefact
        scale_in_scan(picture, artefact("checker"), region=(0, 0, 420, 520))


@pytest.mark.long
def test_a_check_keeps_the_chain_of_its_own_run(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    """Typed by hand, nothing replaced: artefact, check, its record and its page."""
    typing = Program(monkeypatch, capsys, tmp_path / "lab.sqlite")

    assert typing("artefact", "add", "D-1", "--kind", "dots", "--pitch", "400um", "--u-pitch",
                  "0.02um", "--certificate", "7", "--laboratory", "Brook Metrology",
                  "--valid-from", "2025-01-01", "--valid-to", "2099-01-01")[0] == 0  # fmt: skip
    assert typing("sieve", "add", "S-1", "--nominal", "300um")[0] == 0
    check = ("check", "S-1", str(picture), "--by", "Bo Reed", "--target-in-scan", "D-1")
    assert typing(*check)[0] == 2  # nothing says how large the artefact looks
    code, out, err = typing(*check, "--um-per-px", "20.1", "--json", "-")
    assert code == 0, err
    found = json.loads(out)
    assert found["outcome"] == "conditional pass"  # a single field, and not examined by eye
    trace = found["trace"]
    assert (trace["certificate"]["number"], trace["artefact"]["id"]) == ("7", "D-1")
    assert trace["scale"] is None
    (run,) = trace["check"]["in_scan"]
    assert (run["file"], run["marks"] > 450) == ("both.png", True)
    assert [float(v) for v in run["um_per_px"]] == pytest.approx([SX, SY], rel=2e-5)
    audited = json.loads(typing("audit", "--as-of", found["date"], "--json", "-")[1])
    assert audited["no_scale"] == []  # its chain stands on the artefact
    assert typing("report", "C-0001", "--out", str(tmp_path / "page.html"))[0] == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "by the artefact in both.png" in page
    again = (*check, "--accept-scan", "a drawn scan")
    code, out, _ = typing(*again, "--um-per-px", "20.1")
    assert "beside the cloth: 20.013 x 19.991 um/px" in " ".join(out.split())
    assert typing(*check, "--um-per-px", "20", "--setting", "1200dpi")[0] == 2
    assert typing("verify")[0] == 0


def test_what_widens_the_scale_widens_a_real_measurement(picture: Path, alone: InScan) -> None:
    """GUM 5.1.2: u of the mean grows by the further share of it, in quadrature."""
    wider = replace(alone, scale=alone.scale.with_part(Cause.PICTURES, 2e-3, 2e-3))
    plain, told = (
        measure([picture], nominal_um=300.0, scale=one.scale, in_scan=[one])
        for one in (alone, wider)
    )
    for before, after in zip(plain.directions, told.directions, strict=True):
        assert after.mean_um == before.mean_um
        grown = np.hypot(before.u_mean_um, 2e-3 * before.mean_um)
        assert after.u_mean_um == pytest.approx(grown, rel=1e-6)
