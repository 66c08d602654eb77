"""One line of certified width gives a scale its edge bias: found within 0.02 px, with an honest U.

The truth is the drawing's: every edge of the line was moved by a known part of a pixel.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from numpy.typing import NDArray
from PIL import Image
from typer.testing import CliRunner

from present import present
from sieve_inspect.errors import UsageError
from sieve_inspect.image import srgb_to_linear
from sieve_inspect.scale import load_scale
from sieve_inspect.scale.artefact.errors import NoTargetError, ScaleResidualError
from sieve_inspect.scale.artefact.line_bias import KnownLine, LineCalibration, line_in_light
from sieve_inspect.scale.model import Scale
from sieve_inspect.synthetic import Optics, Sensor
from sieve_inspect.synthetic.model import BlurKind
from sieve_inspect.synthetic.targets import Device, Target, render_target
from sieve_registry.cli.commands.scale import scale

APP = typer.Typer(pretty_exceptions_enable=False)
APP.command()(scale)
U = 20.0  # um per px
BLURS: tuple[tuple[BlurKind, float, float], ...] = (
    ("gaussian", 0.7, 0.0), ("gaussian", 1.3, 0.0), ("disc", 1.5, 0.0), ("disc", 2.5, 0.0),
    ("smear", 1.0, 0.0), ("glare", 6.0, 0.2), ("glare", 20.0, 0.1), ("halo", 1.0, 0.5),
)  # fmt: skip
CASES = 96


def _light(target: Target, device: Device, optics: Any, sensor: Sensor) -> NDArray[np.float32]:
    render = render_target(target, device, optics, sensor, (150, 170))
    return srgb_to_linear(render.image / 255.0).astype(np.float32)


def _line(width_px: float, turn: float, **more: Any) -> Target:
    return Target("rule", 200 * U, width_px * U, 1, 1, rotation_deg=turn, **more)


@dataclass(frozen=True)
class _Case:
    blur: str
    off_px: float
    u_px: float


def _case(number: int) -> _Case:
    """Width, turn, place, blur, noise, dust, polarity, edge bias, certificate and base anew."""
    rng = np.random.default_rng([number, 99])
    kind, size, share = BLURS[number % len(BLURS)]
    sx, sy = U * (1 + 0.002 * rng.standard_normal(2))
    device = Device(sx, sy, 0.05 * rng.standard_normal(), edge_bias_px=0.2 * rng.uniform(-1, 1))
    width = rng.uniform(9, 22)
    target = _line(
        width, rng.uniform(0, 180), place_um=(rng.uniform(-400, 400), rng.uniform(-200, 200)),
        bright_marks=bool(number % 2), dust=3, hairs=int(number % 4 == 0), seed=number,
    )  # fmt: skip
    sensor = Sensor(noise=rng.uniform(0.003, 0.02), seed=number)
    u_base, u_line = 1e-4, 0.05
    base = Scale(
        um_per_px_x=sx * (1 + u_base * rng.standard_normal()),
        um_per_px_y=sy * (1 + u_base * rng.standard_normal()),
        u_rel_x=u_base,
        u_rel_y=u_base,
        edge_bias_px=0.0,
        source="a base",
        shear_deg=device.shear_deg,
    )
    line = KnownLine(width * U + u_line * rng.standard_normal(), u_line, "a line")
    found = line_in_light([_light(target, device, Optics(kind, size, share), sensor)], line, base)
    off = found.scale.edge_bias_px - device.edge_bias_px
    return _Case(kind, off, present(found.scale.u_edge_bias_px))


@pytest.fixture(scope="module")
def cases() -> list[_Case]:
    return [_case(number) for number in range(CASES)]


@pytest.mark.long
def test_bias_within_a_fiftieth_of_a_pixel(cases: list[_Case]) -> None:
    """But where its own u says that the picture leaves more open: a line along the pixels."""
    clear = [one for one in cases if one.u_px < 0.01]
    assert len(clear) > 0.9 * CASES
    assert max(abs(one.off_px) for one in clear) < 0.02


@pytest.mark.long
def test_truth_lies_within_u(cases: list[_Case]) -> None:
    z = np.array([one.off_px / one.u_px for one in cases])
    assert 0.90 <= np.mean(np.abs(z) < 2) <= 0.99
    assert 0.7 < np.sqrt(np.mean(np.clip(z, -4, 4) ** 2)) < 1.3


def _several(turns: tuple[float, ...], bias: float = 0.1, **more: Any) -> LineCalibration:
    device = Device(U, U, edge_bias_px=bias)
    lights = [
        _light(_line(10.0, turn, seed=k), device, Optics(), Sensor(noise=0.005, seed=k))
        for k, turn in enumerate(turns)
    ]
    line = KnownLine(10 * U, 0.4, "certificate 2", certified=True)
    return line_in_light(lights, line, more.get("base", BASE))


BASE = Scale(
    um_per_px_x=U,
    um_per_px_y=U,
    u_rel_x=1e-5,
    u_rel_y=1e-5,
    edge_bias_px=0.3,
    source="certificate 1",
    shear_deg=0.0,
    u_shear_deg=0.0,
    u_edge_bias_px=0.2,
)


def test_the_base_keeps_all_but_its_edge_bias() -> None:
    found = _several((10.0, 100.0, 55.0))
    s = found.scale
    assert (s.um_per_px_x, s.um_per_px_y, s.u_rel_x) == (U, U, 1e-5)
    assert s.edge_bias_px == pytest.approx(0.1, abs=0.003)
    # The certificate's share alone: u = 0.4 um of the width, half of it at each edge.
    assert s.u_edge_bias_px == pytest.approx(0.4 / 2 / U, rel=0.1)
    assert found.bias_budget[0].u_px == pytest.approx(0.4 / 2 / U)
    assert sum(row.u_px**2 for row in found.bias_budget) == pytest.approx(
        present(s.u_edge_bias_px) ** 2
    )
    assert s.source == "certificate 1; edge bias from certificate 2"
    assert not s.certified  # for the base is not
    assert found.warnings == ()
    again = _several((10.0, 100.0, 55.0), base=replace(s, certified=True))
    assert again.scale.source == s.source
    assert again.scale.certified


def test_what_one_direction_lacks_is_named() -> None:
    (alone, way) = _several((20.0,)).warnings
    assert "repeatability" in alone
    assert "turned by 90 degrees" in way


def test_pictures_that_differ_widen_u() -> None:
    device = [Device(U, U, edge_bias_px=b) for b in (0.05, 0.10, 0.15)]
    lights = [
        _light(_line(10.0, 30.0 + 40 * k), d, Optics(), Sensor(noise=0.005, seed=k))
        for k, d in enumerate(device)
    ]
    found = line_in_light(lights, KnownLine(10 * U, 0.0, "l"), BASE)
    # Three values 0.05 px apart: t(2) s sqrt(1 + 1/3) / 1.96, Student's t of 4.303
    assert found.bias_budget[-1].u_px == pytest.approx(0.1267, abs=0.01)


@pytest.mark.parametrize(
    ("target", "tells"),
    [
        (Target("rule", 60 * U, 10 * U, 3, 3, 30.0), "several lines"),
        (Target("grid", 25 * U, 5 * U, 12, 12, 5.0), "no line differs from the ground"),
        (Target("dots", 25 * U, 12 * U, 12, 12, 5.0), "no long straight line"),
        (_line(3.0, 30.0), "are needed to separate its edges"),
        (Target("rule", 30 * U, 20 * U, 1, 1, 30.0), "no long straight line"),
        (_line(10.0, 30.0, place_um=(9000.0, 0.0)), "no line differs from the ground"),
    ],
)  # fmt: skip
def test_pictures_without_one_clear_line_are_refused(target: Target, tells: str) -> None:
    light = _light(target, Device(U, U), Optics(), Sensor(noise=0.01))
    with pytest.raises(NoTargetError, match=tells):
        line_in_light([light], KnownLine(10 * U), BASE)


def test_a_line_under_what_the_blur_resolves_is_refused() -> None:
    light = _light(_line(8.0, 30.0), Device(U, U), Optics("gaussian", 2.5), Sensor(noise=0.01))
    with pytest.raises(NoTargetError, match="px wide under a blur of 2"):
        line_in_light([light], KnownLine(8 * U), BASE)


def test_a_line_bent_by_the_base_scale_is_refused() -> None:
    device = Device(U, U, distortion=0.1, kind="radial")
    light = _light(_line(10.0, 0.0, place_um=(-1200.0, 0.0)), device, Optics(), Sensor(noise=0.005))
    with pytest.raises(ScaleResidualError, match="not straight by the base scale"):
        line_in_light([light], KnownLine(10 * U), BASE)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A grid and two pictures of a line from one device that distorts, and a scale of the grid."""
    out = tmp_path_factory.mktemp("line")
    device = Device(U, 20.1, 0.0, 0.02, edge_bias_px=0.1)
    for name, target in (
        ("grid", Target("grid", 500.0, 100.0, 20, 20, 4.0)),
        (
            "line1",
            Target(
                "rule",
                pitch_um=5000.0,
                width_um=200.0,
                rows=1,
                columns=1,
                rotation_deg=12.0,
                place_um=(300.0, 0.0),
            ),
        ),
        ("line2", Target("rule", 5000.0, 200.0, 1, 1, 105.0)),
    ):
        render = render_target(target, device, sensor=Sensor(noise=0.004), shape=(360, 380))
        Image.fromarray(render.image).save(out / f"{name}.png")
    _run(
        str(out / "grid.png"), "--pattern", "grid", "--pitch", "500um", "--encoding", "srgb",
        "--source", "certificate 1", "--out", str(out / "base.json"),
    )  # fmt: skip
    return out


def _run(*words: str) -> str:
    result = CliRunner().invoke(APP, list(words), catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def _words(folder: Path, *names: str) -> tuple[str, ...]:
    return (*(str(folder / f"{name}.png") for name in names), "--encoding", "srgb")


LINE = ("--pattern", "line", "--line-width", "200um", "--u-line-width", "0.2um")


def test_the_command_writes_the_base_with_another_bias(folder: Path, tmp_path: Path) -> None:
    out, png, base = tmp_path / "both.json", tmp_path / "line.png", folder / "base.json"
    text = _run(
        *_words(folder, "line1", "line2"), *LINE, "--source", "certificate 2", "--base", str(base),
        "--out", str(out), "--residuals", str(png),
    )  # fmt: skip
    before, found = load_scale(base), load_scale(out)
    assert before.edge_bias_px == 0.0  # no width of the grid's lines was stated
    assert found.edge_bias_px == pytest.approx(0.1, abs=0.01)
    assert found.rest == before.rest
    assert found.um_per_px_x == before.um_per_px_x
    assert found.source == "certificate 1, not certified; edge bias from certificate 2"
    assert not found.certified
    said = json.loads(out.read_text())
    assert {row["name"] for row in said["edge_bias_budget"]} >= {"certified width of the line"}
    assert [one["file"] for one in said["pictures"]] == ["line1.png", "line2.png"]
    assert [one["file"] for one in said["base"]["pictures"]] == ["grid.png"]
    assert max(len(one) for one in text.splitlines() if str(out) not in one) <= 80
    with Image.open(png) as drawn:
        assert drawn.size[0] > 800


@pytest.mark.parametrize(
    ("words", "tells"),
    [
        ((*LINE,), "name the scale it corrects with `base`"),
        ((*LINE, "--base", "BASE", "--pitch", "1mm"), "has no pitch"),
        (("--pattern", "line", "--base", "BASE"), "needs its width"),
        (("--pattern", "grid", "--pitch", "1mm", "--base", "BASE"), "is for a single line"),
        ((*LINE, "--base", "BASE", "--turned", "0"), "leave `turned` out"),
    ],
)
def test_what_contradicts_itself_is_refused(
    folder: Path, words: tuple[str, ...], tells: str
) -> None:
    typed = [str(folder / "base.json") if word == "BASE" else word for word in words]
    with pytest.raises(UsageError, match=tells):
        _run(*_words(folder, "line1"), *typed)


def test_a_picture_of_another_size_than_the_map_is_refused(folder: Path, tmp_path: Path) -> None:
    with Image.open(folder / "line1.png") as whole:
        whole.crop((0, 0, 300, 300)).save(tmp_path / "part.png")
    with pytest.raises(UsageError, match="300 x 300 px and the map"):
        _run(str(tmp_path / "part.png"), *LINE, "--base", str(folder / "base.json"))
