"""A laboratory with a certified grid, a scanner, and the scale one gave of the other."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from PIL import Image

from program import Answer, Program
from sieve_inspect.synthetic import Sensor
from sieve_inspect.synthetic.targets import Device, Target, render_target

GRID = (
    "artefact", "add", "G-1", "--kind", "grid", "--pitch", "500um", "--certified-pitch",
    "500.02um", "--u-pitch", "0.1um", "--line-width", "100um", "--u-line-width", "0.2um", "--k",
    "2", "--certificate", "2025-117", "--laboratory", "Brook Metrology", "--valid-from",
    "2025-06-01", "--valid-to", "2027-05-31", "--expansion", "8.5",
)  # fmt: skip
SCANNER = (
    "device", "add", "F-24", "--kind", "scanner", "--serial", "K1", "--setting", "1270dpi",
    "--light", "transmitted", "--encoding", "srgb", "--stand-off", "0um",
)  # fmt: skip


@dataclass
class ScaleLab:
    """Its program; the grid's picture and the scale recorded of it; the line's, if there is one."""

    run: Program
    picture: Path
    recorded: dict[str, Any] = field(default_factory=dict)
    line: Path = Path()
    amended: dict[str, Any] = field(default_factory=dict)

    def __call__(self, *words: object) -> Answer:
        return self.run(*words)

    def calibrate(
        self, *words: object, day: str = "2026-03-02", image: Path | None = None
    ) -> Answer:
        return self._scale("G-1", image or self.picture, day, *words)

    def amend(self, *words: object, day: str = "2026-03-10") -> Answer:
        """The edge bias of the scale, from the picture of the line."""
        return self._scale("L-1", self.line, day, *words)

    def _scale(self, artefact: str, image: Path, day: str, *words: object) -> Answer:
        return self.run(
            "scale", image, "--artefact", artefact, "--device", "F-24", "--date", day,
            "--by", "Ada Moss", *words,
        )  # fmt: skip


def parsed(answer: Answer) -> Any:
    """What the program printed as JSON; it must have ended well."""
    assert answer.code == 0, answer.err
    return json.loads(answer.out)


def drawn_grid(path: Path, x: float = 20.0, y: float = 20.0) -> Path:
    """A picture of the grid at so many um per px."""
    target = Target("grid", 500.02, 100.0, 14, 14, 4.0)
    render = render_target(target, Device(x, y), sensor=Sensor(noise=0.004), shape=(360, 380))
    Image.fromarray(render.image).save(path, dpi=(1270, 1270))
    return path


def equip(run: Program, picture: Path) -> ScaleLab:
    """A sieve, an artefact valid to 2027-05-31, a scanner, and its scale of 2026-03-02."""
    assert run(*GRID).code == 0
    assert run(*SCANNER).code == 0
    assert run("sieve", "add", "S-1", "--nominal", "75um", "--in-service", "2026-01-01").code == 0
    lab = ScaleLab(run, picture)
    lab.recorded = parsed(lab.calibrate("--json", "-"))["recorded"]
    return lab


def check(lab: ScaleLab, scan: Path, *words: object, day: str = "2026-04-01") -> Answer:
    seen = ("--visual", "ok", "--accept-scan", "a drawn scan")
    return lab(
        "check", "S-1", scan, "--scale", "F-24", "--date", day, "--by", "Bo Reed", *seen, *words
    )
