"""The demo's scans: drawn cloth whose every aperture is known, and the scanner's scale files.

    python -m sieve_registry.demo.scans            draws demo_images/ anew
    python -m sieve_registry.demo.scans --out DIR  draws them elsewhere

The scanner is invented. Its steps along x and y differ a little, as real ones do, and its scale
files say so. Lengths below are in um of the cloth; `draw` turns them into px.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sieve_inspect.scale import Scale, scale_to_dict
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Render, Sensor, render, save
from sieve_registry.demo.images import scale_name, source_folder

__all__ = ["SCALES", "SCANS", "DrawnScan", "draw", "draw_all", "main"]

# What the invented scanner really does, as parts of its nominal step.
_ALONG_X, _ALONG_Y = 1.0006, 0.9992
_SHAPE = (680, 880)
_CLEAR = Damage()


def _scale(dpi: int) -> Scale:
    step = 25_400 / dpi
    return Scale(
        um_per_px_x=round(step * _ALONG_X, 5),
        um_per_px_y=round(step * _ALONG_Y, 5),
        u_rel_x=0.0003,
        u_rel_y=0.0003,
        source=f"glass grid EX-G7, certificate EX-1147 (invented), {dpi} dpi, at cloth height",
    )


SCALES = {dpi: _scale(dpi) for dpi in (600, 1200, 2400, 4800)}


@dataclass(frozen=True)
class DrawnScan:
    """One scan: means, wire and spread in um, the rest as the renderer takes it."""

    name: str
    dpi: int
    mean_x: float
    mean_y: float
    wire: float
    spread: float
    seed: int
    turn: float = 1.0
    shape: tuple[int, int] = _SHAPE
    damage: Damage = _CLEAR
    optics: Optics = field(default_factory=Optics)
    bits: int = 8
    linear: bool = False
    colour: bool = False

    @property
    def scale(self) -> Scale:
        """Micrometres per pixel of this scan, exactly."""
        return SCALES[self.dpi]


_DUST = Damage(dust=3)
_CAKED = Damage(blocked=26, blocked_share=(0.4, 1.0), dust=6, fibres=1)
_TORN = Damage(broken=2, missing=1, missing_length=2, dust=2)
_SOFT = Optics("gaussian", 1.25)
_DISC = Optics("disc", 1.6)

SCANS = (
    DrawnScan("s2000-1a.tif", 600, 2004, 1996, 900, 22, 101, 0.8, (560, 640), bits=16, linear=True),
    DrawnScan("s2000-1b.tif", 600, 2004, 1996, 900, 22, 102, 2.1, (560, 640), bits=16, linear=True),
    DrawnScan("s1000-1.jpg", 600, 1003, 998, 560, 14, 111, -1.4, colour=True),
    DrawnScan("s1000-2.jpg", 600, 1004, 999, 560, 14, 112, 0.6, colour=True, damage=_DUST),
    DrawnScan("s1000-3.jpg", 600, 1006, 1000, 560, 14, 113, 2.2, colour=True),
    DrawnScan("s0500-1.png", 1200, 501.5, 500, 315, 6.5, 121, 1.1),
    DrawnScan("s0500-2.png", 1200, 505.5, 503, 311, 6.5, 122, -2.0, damage=_DUST),
    DrawnScan("s0500-3.png", 1200, 509.5, 505, 307, 7, 123, 0.4),
    DrawnScan("s0500-4a.png", 1200, 513.2, 507, 303, 10, 127, 1.7),
    DrawnScan("s0500-4b.png", 1200, 513.2, 507, 303, 10, 128, 3.1),
    DrawnScan("s0500-4c.png", 1200, 513.2, 507, 303, 10, 129, -0.9),
    DrawnScan("s0250-1.png", 2400, 251, 250, 160, 5, 131, -1.2),
    DrawnScan("s0250-2.png", 2400, 251.5, 250.5, 160, 5, 132, 0.9, damage=_DUST),
    DrawnScan("s0250-3.png", 2400, 252, 251, 160, 5, 133, 2.6, optics=_SOFT),
    DrawnScan("s0250-4.png", 2400, 252, 251, 160, 5, 134, -0.5, damage=_CAKED),
    DrawnScan("s0125-1.tif", 4800, 125.4, 124.8, 90, 2.6, 141, 0.7),
    DrawnScan("s0125-2.tif", 4800, 125.9, 125.1, 90, 2.6, 142, -1.8, optics=_DISC),
    DrawnScan("s0125-3.tif", 4800, 126.3, 125.6, 89, 2.6, 143, 1.3, damage=_TORN),
    DrawnScan("s0075-1.png", 4800, 75.3, 74.9, 50, 1.6, 151, 1.5),
    DrawnScan("s0075-2.png", 4800, 76.5, 75.4, 49, 1.7, 152, -0.8),
    DrawnScan("s0075-3.png", 4800, 77.7, 75.9, 48, 1.8, 153, 2.4, damage=_DUST),
    DrawnScan("s0075-4.png", 4800, 79.8, 76.6, 46, 2.0, 154, 0.5),
    DrawnScan("s0045-1.png", 4800, 45.2, 44.9, 32, 1.2, 161, 1.0, (520, 680)),
    DrawnScan("s0045-2.png", 4800, 45.5, 45.1, 32, 1.2, 162, -1.6, (520, 680)),
)


def draw(scan: DrawnScan) -> Render:
    """The picture and its truth; the same scan gives the same picture."""
    scale = scan.scale
    px = math.sqrt(scale.um_per_px_x * scale.um_per_px_y)
    cloth = Cloth(
        aperture_px=scan.mean_x / px,
        aperture_y_px=scan.mean_y / px,
        wire_px=scan.wire / px,
        sd_px=scan.spread / px,
        along_sd_px=0.3 * scan.spread / px,
        rotation_deg=scan.turn,
        stretch_x=px / scale.um_per_px_x,
        stretch_y=px / scale.um_per_px_y,
        damage=scan.damage,
        seed=scan.seed,
    )
    sensor = Sensor(
        noise=0.008,
        bits=scan.bits,
        encoding="linear" if scan.linear else "srgb",
        channels=3 if scan.colour else 1,
        channel_shift_px=(0.15, 0.0) if scan.colour else (0.0, 0.0),
        jpeg_quality=92 if scan.name.endswith(".jpg") else None,
        seed=scan.seed,
    )
    light = Light(open_level=0.78, wire_level=0.04, falloff=0.06, tilt=0.03)
    return render(cloth, scan.optics, sensor, scan.shape, light=light)


def draw_all(folder: Path) -> list[Path]:
    """Write every scan and scale file into a folder that is there; the files written."""
    written = []
    for scan in SCANS:
        path = folder / scan.name
        save(draw(scan), path, srgb_chunk=path.suffix == ".png")
        written.append(path)
    for dpi, scale in SCALES.items():
        path = folder / scale_name(dpi)
        path.write_text(json.dumps(scale_to_dict(scale), indent=1) + "\n", encoding="utf-8")
        written.append(path)
    return written


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw the scans into `--out`, by default the source tree's demo_images."""
    parser = argparse.ArgumentParser(description="Draw the demo's scans and scale files.")
    default = source_folder()
    parser.add_argument("--out", type=Path, default=default, help=f"folder ({default})")
    folder: Path = parser.parse_args(arguments).out
    folder.mkdir(parents=True, exist_ok=True)
    written = draw_all(folder)
    size = sum(path.stat().st_size for path in written) / 1e6
    sys.stdout.write(f"{len(written)} files, {size:.1f} MB in {folder}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
