"""`measure --map`: damage and local means over the cloth, as a drawing that says what it shows."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

from typer.testing import CliRunner

from sieve_inspect.synthetic import Cloth, Damage, Sensor, render, save
from sieve_registry.cli.main import app


def test_the_map_is_drawn(tmp_path: Path) -> None:
    cloth = Cloth(14.0, 9.0, sd_px=0.2, seed=3, damage=Damage(blocked=5))
    save(render(cloth, sensor=Sensor(noise=0.005, seed=3), shape=(500, 500)), tmp_path / "a.png")
    typed = ("measure", str(tmp_path / "a.png"), "--nominal", "140um", "--um-per-px", "10")
    out = CliRunner().invoke(app, [*typed, "--map", str(tmp_path / "map.svg")])
    assert out.exit_code == 0, out.output
    root = ET.parse(tmp_path / "map.svg").getroot()
    assert root.tag.endswith("svg")
    words = "".join(root.itertext())
    assert "a.png" in words
    assert "local mean" in words
