"""`sieveward scale` from pictures on disk to a scale file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner

from sieve_inspect.errors import BadLengthError, SameImageError, UsageError
from sieve_inspect.scale import load_scale
from sieve_inspect.scale.artefact.errors import NoTargetError
from sieve_inspect.synthetic import Sensor
from sieve_inspect.synthetic.targets import Device, Target, render_target
from sieve_registry.cli.commands.scale import scale

APP = typer.Typer(pretty_exceptions_enable=False)
APP.command()(scale)


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = Target("grid", 500.0, 100.0, 14, 14, 4.0)
    device = Device(20.0, 20.1, edge_bias_px=0.1)
    render = render_target(target, device, sensor=Sensor(noise=0.004), shape=(360, 380))
    path = tmp_path_factory.mktemp("targets") / "grid.png"
    Image.fromarray(render.image).save(path, dpi=(600, 600))
    return path


def _run(*words: str) -> str:
    result = CliRunner().invoke(APP, list(words), catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def test_scale_file_picture_and_table(picture: Path, tmp_path: Path) -> None:
    out, png = tmp_path / "scale.json", tmp_path / "residuals.png"
    text = _run(
        str(picture), "--pattern", "grid", "--pitch", "0.5mm", "--u-pitch", "0.05um",
        "--line-width", "100um", "--u-line-width", "0.2um", "--source", "certificate 17",
        "--out", str(out), "--residuals", str(png), "--accept-scale", "tag of the driver",
    )  # fmt: skip
    found = load_scale(out)
    assert found.um_per_px_x == pytest.approx(20.0, rel=1e-4)
    assert found.um_per_px_y == pytest.approx(20.1, rel=1e-4)
    assert found.edge_bias_px == pytest.approx(0.1, abs=0.02)
    assert found.source == "certificate 17"
    assert found.certified
    # U at k = 2 in, standard uncertainty out: half of 0.05 um on 500 um alone is 5e-5.
    assert 5e-5 <= found.u_rel_x < 1e-4
    with Image.open(png) as drawn:
        assert drawn.size[0] > 800
    assert max(len(line) for line in text.splitlines() if str(out) not in line) <= 80
    assert "not certified" not in text
    assert "warning: grid.png: its dpi tag gives 42.333 um per px" in text.replace("\n  ", " ")
    assert ": tag of the driver" in text


def test_json_holds_the_complete_calibration(picture: Path) -> None:
    words = ("--pattern", "grid", "--pitch", "500um", "--accept-scale", "a tag", "--json", "-")
    data = json.loads(_run(str(picture), *words))
    assert data["schema"] == "sieveward.scale/1"
    assert data["artefact"]["pitch_um"] == 500.0
    assert data["edge_bias_px"] == 0.0  # no line of known width was stated
    assert data["pictures"][0]["file"] == "grid.png"
    assert len(data["pictures"][0]["sha256"]) == 64
    assert data["pictures"][0]["encoding"] == "srgb"
    assert {row["name"] for row in data["budget"]} == {
        "pitch of the artefact", "fit of the marks", "shape of the edges", "sides of the lines",
        "picture to picture",
    }  # fmt: skip
    assert data["fit"]["marks"] == 13 * 13
    squares = sum(row["u_rel_x"] ** 2 for row in data["budget"])
    assert data["u_rel_x"] ** 2 == pytest.approx(squares)


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["--pattern", "grid", "--pitch", "500"], BadLengthError),
        (["--pattern", "stars", "--pitch", "500um"], UsageError),
        (["--pattern", "checker", "--pitch", "500um"], NoTargetError),
        (["--pattern", "grid", "--pitch", "500um", "--region", "1,2"], UsageError),
        (["--pattern", "grid", "--pitch", "500um", "--turned", "0,90"], UsageError),
        (["--pattern", "grid", "--pitch", "500um", "--turned", "left"], UsageError),
        (["--pattern", "grid", "--pitch", "500um", "--encoding", "film"], UsageError),
    ],
)
def test_what_cannot_be_done_is_refused(
    picture: Path, words: list[str], error: type[Exception]
) -> None:
    with pytest.raises(error):
        _run(str(picture), *words)


@pytest.mark.parametrize("option", ["--out", "--residuals", "--json"])
def test_a_picture_of_the_artefact_is_never_overwritten(
    picture: Path, tmp_path: Path, option: str
) -> None:
    copy = tmp_path / "grid.png"
    copy.write_bytes(picture.read_bytes())
    with pytest.raises(UsageError, match="would overwrite the picture"):
        _run(str(copy), "--pattern", "grid", "--pitch", "0.5mm", option, f"{tmp_path}/./grid.png")
    assert copy.read_bytes() == picture.read_bytes()


def test_nor_is_the_base_of_a_single_line(picture: Path, tmp_path: Path) -> None:
    base = tmp_path / "base.json"
    base.write_text("{}")
    typed = ("--pattern", "line", "--line-width", "100um", "--base", str(base))
    with pytest.raises(UsageError, match="would overwrite the scale"):
        _run(str(picture), *typed, "--out", str(base))


def test_one_picture_does_not_count_twice(picture: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.png"
    copy.write_bytes(picture.read_bytes())
    with pytest.raises(SameImageError, match="the same picture"):
        _run(str(picture), str(copy), "--pattern", "grid", "--pitch", "0.5mm")


def test_without_the_certificates_u_the_scale_has_the_u_of_a_scale_by_hand(
    picture: Path, tmp_path: Path
) -> None:
    out = tmp_path / "scale.json"
    typed = [str(picture), "--pattern", "grid", "--pitch", "0.5mm", "--out", str(out)]
    typed += ["--accept-scale", "a tag"]
    text = _run(*typed).replace("\n  ", " ")
    assert "warning: Not certified: no uncertainty of the pitch" in text
    found = load_scale(out)
    assert found.u_rel_x >= 0.001
    assert found.source.endswith(", not certified")
    assert not found.certified
    assert "no dpi to compare" not in text
    bare = tmp_path / "bare.png"
    with Image.open(picture) as tagged:
        Image.fromarray(np.asarray(tagged)).save(bare)
    typed = [str(bare), *typed[1:-2], "--u-pitch", "0.05um", "--line-width", "100um"]
    text = _run(*typed).replace("\n  ", " ")
    # 20.0 and 20.1 um per px as drawn; 25,400 um an inch.
    assert "no dpi to compare with: 20.05 um per px is 1,267 dpi" in text
    assert "warning: Not certified: no uncertainty of the line" in text
    assert "no uncertainty of the pitch" not in text
    assert load_scale(out).source.endswith(", not certified")
    assert not load_scale(out).certified
    assert load_scale(out).u_rel_x < 1e-4
