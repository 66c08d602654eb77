"""A sieve without its label: nearest published sizes, a scale on trust, a wrong dpi."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sieve_inspect.errors import NominalMismatchError, UsageError
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.pipeline import measure, measure_array
from sieve_inspect.standard.nearest import nearest_sizes
from sieve_inspect.synthetic import Cloth, Sensor, render, save

UM_PER_PX = 25_400 / 4800  # 4800 dpi
APERTURE = 75 / UM_PER_PX
PICTURE = render(
    Cloth(APERTURE, 50 / UM_PER_PX, sd_px=0.3, rotation_deg=4, seed=31),
    sensor=Sensor(noise=0.006, seed=3),
    shape=(240, 300),
)


def test_the_nearest_sizes_of_both_series_are_named() -> None:
    """R 20/3 of ISO 565 holds 63 and 90, R 40/3 holds 75, R 20 holds 71; ASTM E11: No. 200."""
    near = nearest_sizes(74.6)
    assert [(size.nominal_um, size.series) for size in near] == [
        (75.0, "supplementary"),
        (71.0, "supplementary"),
        (90.0, "main"),
        (63.0, "main"),
    ]
    assert near[0].astm == "No. 200"
    assert near[0].off_percent == pytest.approx(-100 * 0.4 / 75, abs=1e-9)


def test_without_a_nominal_nothing_is_judged() -> None:
    measurement = measure_array(PICTURE.image, um_per_px=UM_PER_PX, encoding="srgb")
    document = measurement.to_dict()
    assert document["nominal_um"] is None
    assert document["nearest"][0]["nominal_um"] == 75.0
    assert "verdict" not in document
    with pytest.raises(UsageError, match="Nominal missing"):
        measurement.judge("iso3310-1:2016")
    with pytest.raises(UsageError, match="Nominal missing"):
        measure_array(PICTURE.image, um_per_px=UM_PER_PX, judging=Judging("iso3310-1:2016"))


def test_a_size_off_by_two_asks_about_the_dpi(tmp_path: Path) -> None:
    save(PICTURE, tmp_path / "scan.png")
    with pytest.raises(NominalMismatchError, match="dpi of the scale"):
        measure([tmp_path / "scan.png"], nominal_um=150, um_per_px=UM_PER_PX)
    with pytest.raises(NominalMismatchError) as other:
        measure([tmp_path / "scan.png"], nominal_um=100, um_per_px=UM_PER_PX)
    assert "dpi" not in str(other.value)


def test_dpi_is_a_scale_on_trust(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """25,400 um an inch; the source says that it is on trust."""
    from sieve_registry.cli.main import main

    save(PICTURE, tmp_path / "scan.png")
    command = ["sieveward", "measure", str(tmp_path / "scan.png"), "--dpi", "4800"]
    for more, code in ((["--json", "-"], 0), ([], 0), (["--um-per-px", "5"], 2)):
        monkeypatch.setattr("sys.argv", [*command, *more])
        with pytest.raises(SystemExit) as ended:
            main()
        assert (ended.value.code or 0) == code
        written = capsys.readouterr().out
        if more[:1] == ["--json"]:
            scale = json.loads(written)["scale"]
            assert scale["um_per_px_x"] == pytest.approx(25_400 / 4800)
            assert scale["source"] == "4800 dpi on trust, not certified"
        elif not more:
            assert "Nearest published sizes: 75 um (supplementary, No. 200" in " ".join(
                written.split()
            )
