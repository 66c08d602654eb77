"""Scans and the program, for the tests of `measure`."""

from __future__ import annotations

from pathlib import Path

import pytest

from program import Program
from sieve_inspect.synthetic import Cloth, Damage, Sensor, render, save
from sieve_inspect.synthetic.truth import Truth

CLOTHS = {
    # 10 um per px: a new cloth of 150 um, one worn wide, one with missing wires
    "clean": Cloth(15.0, 10.0, sd_px=0.25, rotation_deg=3, seed=51),
    "worn": Cloth(15.9, 9.1, sd_px=0.4, rotation_deg=3, seed=52),
    "torn": Cloth(
        15.0, 10.0, sd_px=0.25, rotation_deg=3, seed=53, damage=Damage(missing=3, missing_length=2)
    ),
    "dirty": Cloth(15.0, 10.0, sd_px=0.25, rotation_deg=3, seed=54, damage=Damage(blocked=50)),
}


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    """Runs `sieveward ARGUMENTS`."""
    return Program(monkeypatch, capsys)


@pytest.fixture(scope="session")
def cloths(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Truth]]:
    """One scan of each cloth: {name: (path, truth)}."""
    folder = tmp_path_factory.mktemp("cloths")
    out = {}
    for name, cloth in CLOTHS.items():
        drawn = render(cloth, sensor=Sensor(noise=0.005, seed=cloth.seed), shape=(340, 440))
        save(drawn, folder / f"{name}.png")
        out[name] = (folder / f"{name}.png", drawn.truth)
    return out
