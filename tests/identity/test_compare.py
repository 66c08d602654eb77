"""`compare` on drawn pictures: from files to the JSON document."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import sieve_inspect as si
from program import Program
from sieve_inspect.scale.model import exact_scale
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Sensor, Weave, render, save

pytestmark = pytest.mark.usefixtures("measured_once")

UNIT, OTHER = 5.29, 4.6  # um per px before and after
WEAR = 0.3  # um


def drawn(seed: int, unit: float, wear: float = 0.0, turned: float = 2.0) -> Cloth:
    return Cloth(
        (75 + wear) / unit,
        (50 - wear) / unit,
        sd_px=2.2 / unit,
        weave=Weave(0.5 / unit, 10, 0.2 / unit),
        rotation_deg=turned,
        seed=seed,
    )


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A cloth before, later with another scanner setting and damage, and another cloth."""
    folder = tmp_path_factory.mktemp("compare")
    damage = Damage(missing=1, blocked=1)
    cases = {
        "before": (drawn(3, UNIT), Optics(), Sensor(noise=0.005, seed=1), (390, 390)),
        "after": (
            replace(drawn(3, OTHER, WEAR, 97.0), damage=damage),
            Optics(size_px=1.4),
            Sensor(noise=0.008, seed=2, bits=16, encoding="linear"),
            (440, 430),
        ),
        "other": (drawn(4, UNIT), Optics(), Sensor(noise=0.005, seed=3), (390, 390)),
    }
    out = {}
    for name, (cloth, optics, sensor, shape) in cases.items():
        picture = render(cloth, optics, sensor, shape, light=Light(0.7, 0.06, falloff=0.2))
        out[name] = folder / f"{name}.tif"
        save(picture, out[name])
    return out


def test_wear_of_the_same_cloth_turned_and_by_a_wrong_scale(scans: dict[str, Path]) -> None:
    """The scale after is 2 % off, which is 1.5 um of an aperture: no wear, but a stretch."""
    lit = si.Illumination.stated(1.0, 0.0)  # flat bands show no glow
    result = si.compare(
        scans["before"],
        scans["after"],
        nominal_um="75um",
        scale=exact_scale(UNIT, UNIT),
        scale_after=exact_scale(1.02 * OTHER, 1.02 * OTHER),
        illumination=lit,
    )
    assert result.same_cloth
    document = result.to_dict()
    assert document["schema"] == "sieveward.comparison/1"
    assert document["common_apertures"] > 120
    assert document["turned_deg"] == pytest.approx(95.0, abs=0.01)
    for direction in "xy":
        change = document["change"][direction]
        assert change["mean_um"] == pytest.approx(WEAR, abs=change["U_um"])
        assert change["U_um"] < 0.15
        assert change["stretch_percent"] == pytest.approx(2.0, abs=0.02)
    assert document["kinds"][:2] == ["wear", "stretch"]
    kinds = {entry["kind"] for entry in document["changed"]}
    assert "blocked" in kinds or "torn" in kinds
    assert "widened" not in kinds
    json.dumps(document)


def test_another_cloth_is_not_the_same(scans: dict[str, Path]) -> None:
    result = si.compare(scans["before"], scans["other"], nominal_um=75, um_per_px=UNIT)
    assert result.same_cloth is None
    assert result.to_dict()["change"] is None
    assert "No common part" in repr(result.match)


def test_the_command_and_its_json(program: Program, scans: dict[str, Path], tmp_path: Path) -> None:
    scale = ["--nominal", "75um", "--um-per-px", str(UNIT)]
    code, out, _ = program("compare", scans["before"], scans["before"], *scale)
    assert code == 0
    assert "The same cloth" in out
    target = tmp_path / "c.json"
    again = [*scale, "--um-per-px-after", str(1.02 * OTHER), "--json", target]
    assert program("compare", scans["before"], scans["after"], *again)[0] == 0
    document = json.loads(target.read_text())
    assert document["same_cloth"] is True
    assert set(document["changed"][0]) >= {"row", "col", "x_px", "y_px", "change_um", "U_um"}


def test_one_device_or_a_reference_cloth_makes_u_small(
    program: Program, scans: dict[str, Path], tmp_path: Path
) -> None:
    """A scale typed again for the same device: its edge bias is one, or shown by another cloth."""
    target, before = tmp_path / "c.json", scans["before"]
    typed = ["compare", before, before, "--nominal", "75um", "--um-per-px", str(UNIT)]
    typed += ["--um-per-px-after", "5.30"]
    uncertain = {}
    ways: dict[str, list[str | Path]] = {
        "apart": [],
        "one device": ["--same-device"],
        "reference": ["--reference", scans["other"], scans["other"]],
    }
    for name, more in ways.items():
        code, out, _ = program(*typed, *more)
        assert code == 0
        assert ("--same-device" in out) is (name == "apart")  # the remedy
        assert program(*typed, *more, "--json", target)[0] == 0
        change = json.loads(target.read_text())["change"]["x"]
        assert change["mean_um"] == pytest.approx(0, abs=1e-6)
        uncertain[name] = change["U_um"]
        assert bool(change["remedy"]) is (name == "apart")
    assert uncertain["apart"] > 1
    assert max(uncertain["one device"], uncertain["reference"]) < 0.15
    code, _, err = program(*typed, "--reference", before, scans["other"])
    assert code == 2
    assert "--reference: No common part found" in err


def test_a_reference_cloth_that_lay_otherwise_or_has_another_scale_is_refused(
    scans: dict[str, Path],
) -> None:
    before, other, after = (
        si.measure(scans[name], nominal_um=75, scale=exact_scale(unit, unit))
        for name, unit in {"before": UNIT, "other": UNIT, "after": OTHER}.items()
    )
    with pytest.raises(si.UsageError, match="lay a quarter turn from the other"):
        si.compare_measurements(before, after, reference=(other, other))
    with pytest.raises(si.UsageError, match="have other scales"):
        si.compare_measurements(
            before, before, reference=(other, replace(other, scale=after.scale))
        )


def test_scans_of_other_sizes_and_two_scales_are_refused(
    program: Program, scans: dict[str, Path]
) -> None:
    scale = ["--nominal", "90um", "--um-per-px", str(UNIT)]
    code, _, err = program("compare", scans["before"], scans["after"], *scale)
    assert code == 17
    assert "check the label, the nominal and the scale" in err
    twice = ["--nominal", "75um", "--dpi", "4800", "--dpi-after", "4800", "--um-per-px-after", "5"]
    code, _, err = program("compare", scans["before"], scans["after"], *twice)
    assert code == 2
    assert "--scale-after, --um-per-px-after and --dpi-after" in err


def test_measurements_of_two_nominals_are_refused(scans: dict[str, Path]) -> None:
    coarse = si.measure(scans["before"], nominal_um=75, um_per_px=UNIT)
    with pytest.raises(si.UsageError, match="75 um and 53 um"):
        si.compare(coarse, replace(coarse, nominal_um=53.0))
