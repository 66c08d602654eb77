"""The demo's scans: drawn cloth whose every aperture is known, and the scanner's scale files.

    python -m sieve_registry.demo.scans            draws demo_images/ anew
    python -m sieve_registry.demo.scans --out DIR  draws them elsewhere

The scanner is invented. Its steps along x and y differ a little, as those of real scanners do, and
its scale files contain both; a repair of its carriage changed one step. The artefact is a glass
plate with a square grid of dots, drawn by the same device as the cloth. Lengths below are in um
of the cloth; `draw` converts them to px.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sieve_inspect.scale import Scale
from sieve_inspect.scale.parts import Cause, ScalePart
from sieve_inspect.synthetic import Cloth, Damage, Light, Optics, Render, Sensor, render, save
from sieve_inspect.synthetic.targets import Device, Target, render_target
from sieve_registry.demo.images import CERTIFICATE, scale_name, source_folder

# The true steps of the invented scanner, relative to its nominal step.
_ALONG_X, _ALONG_Y = 1.0006, 0.9992
_REPAIRED = 1.0015  # the step of its carriage after the repair, relative to the step before
_THAT_RUN = 1.0005  # of the scan with the artefact beside the cloth
PITCH_UM, DOT_UM = 400.0, 200.0
_SHAPE, _NARROW, _FIELD, _SMALL = (680, 880), (680, 620), (440, 520), (400, 480)
_MOST_OPENINGS = 500  # of a further field
_CLEAR = Damage()


# From several pictures at the height of the cloth and a thermometer; a line gave the edge bias.
_STATED = (
    ScalePart(Cause.PICTURES, 0.0002, 0.0002),
    ScalePart(Cause.STAND_OFF, 0.0001, 0.0001),
    ScalePart(Cause.TEMPERATURE, 0.00002, 0.00002),
)


def _scale(dpi: int) -> Scale:
    step = 25_400 / dpi
    return Scale(
        um_per_px_x=round(step * _ALONG_X, 5),
        um_per_px_y=round(step * _ALONG_Y, 5),
        u_rel_x=0.0003,
        u_rel_y=0.0003,
        source=f"glass grid EX-G7, certificate EX-1147 (invented), {dpi} dpi, at cloth height",
        u_edge_bias_px=0.015,
        certified=True,
        parts=_STATED,
    )


SCALES = {dpi: _scale(dpi) for dpi in (600, 1200, 2400, 4800)}


@dataclass(frozen=True)
class DrawnScan:
    """One scan: means, wire and spread in um, the rest as the renderer takes it.

    `down` multiplies the device's step along y, `beside_px` is the width of the part to the right
    in which the artefact lies.
    """

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
    down: float = 1.0
    beside_px: int = 0

    @property
    def scale(self) -> Scale:
        """Micrometres per pixel of this scan, exactly."""
        return _stretched(self.dpi, self.down)


@dataclass(frozen=True)
class DrawnTarget:
    """A picture of the artefact at a resolution, turned so far."""

    name: str
    dpi: int
    turn: float
    seed: int
    down: float = 1.0

    @property
    def scale(self) -> Scale:
        """Micrometres per pixel of this picture, exactly."""
        return _stretched(self.dpi, self.down)


def _stretched(dpi: int, down: float) -> Scale:
    """The scanner's scale, its step along y multiplied."""
    scale = SCALES[dpi]
    return replace(scale, um_per_px_y=scale.um_per_px_y * down)


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
    DrawnScan(
        "s1000-4.png", 1200, 1007, 1000, 560, 14, 114, 1.2, _NARROW, down=_THAT_RUN, beside_px=260
    ),
    DrawnScan("s0500-1.png", 1200, 501.5, 500, 315, 6.5, 121, 1.1),
    DrawnScan("s0500-2.png", 1200, 505.5, 503, 311, 6.5, 122, -2.0, damage=_DUST),
    DrawnScan("s0500-3.png", 1200, 509.5, 505, 307, 7, 123, 0.4),
    DrawnScan("s0500-4a.png", 1200, 513.2, 507, 303, 10, 127, 1.7),
    DrawnScan("s0500-4b.png", 1200, 513.2, 507, 303, 10, 128, 3.1),
    DrawnScan("s0500-4c.png", 1200, 513.2, 507, 303, 10, 129, -0.9),
    DrawnScan("s0250-1.png", 2400, 251, 250, 160, 5, 131, -1.2),
    DrawnScan("s0250-2.png", 2400, 251.5, 250.5, 160, 5, 132, 0.9, damage=_DUST),
    DrawnScan("s0250-3.png", 2400, 252, 251, 160, 5, 133, 2.6, optics=_SOFT),
    DrawnScan("s0250-4.png", 2400, 252, 251, 160, 5, 134, -0.5, damage=_CAKED, down=_REPAIRED),
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


def _of_one_cloth(year: int, turn: float) -> DrawnScan:
    """S-0076 after so many years: 0.2 um of wire worn off a year, the pitch stays."""
    worn = 0.2 * year
    return DrawnScan(
        f"s0076-{year + 1}.png", 4800, 75.2 + worn, 74.9 + worn, 50 - worn, 1.6, 172, turn, _SMALL
    )


# Drawn while the demo runs, not kept: scans of one cloth, and S-0075 once more.
UNKEPT = (
    _of_one_cloth(0, 1.1),
    _of_one_cloth(1, -0.7),
    _of_one_cloth(2, 2.0),
    _of_one_cloth(3, 0.3),
    DrawnScan("s0075-5.png", 4800, 79.8, 76.6, 46, 2.0, 154, -1.2),
)


TARGETS = (
    DrawnTarget("g7-4800-1.jpg", 4800, 0.2, 201),
    DrawnTarget("g7-2400-1.jpg", 2400, -0.9, 202),
    DrawnTarget("g7-2400-2.jpg", 2400, 1.6, 203),
    DrawnTarget("g7-4800-2.jpg", 4800, -0.3, 204),
    DrawnTarget("g7-2400-3.jpg", 2400, 0.7, 205, _REPAIRED),
)


def further_fields(names: Sequence[str], count: int) -> list[DrawnScan]:
    """Small fields of the cloth in these scans, elsewhere on it. What clogs a cloth clogs all."""
    scan = next(scan for scan in (*SCANS, *UNKEPT) if scan.name == names[-1])
    stem = scan.name.rpartition(".")[0]
    return [
        replace(
            scan,
            name=f"{stem}-field{number}.png",
            seed=scan.seed + 1000 * number,
            turn=scan.turn + 0.7 * number,
            shape=_further_shape(scan),
            damage=scan.damage if scan.damage.blocked else _CLEAR,
            bits=8,
            linear=False,
            colour=False,
        )
        for number in range(1, count + 1)
    ]


def _further_shape(scan: DrawnScan) -> tuple[int, int]:
    """The size of a further field: as small as `_MOST_OPENINGS` allow, each costs milliseconds."""
    if scan.beside_px or scan.shape == _SMALL:
        return scan.shape
    pitch = (scan.mean_x + scan.wire) / scan.scale.um_per_px_x
    factor = min(1.0, math.sqrt(_MOST_OPENINGS * pitch**2 / (_FIELD[0] * _FIELD[1])))
    return round(factor * _FIELD[0]), round(factor * _FIELD[1])


def draw_unkept(names: Sequence[str], folder: Path) -> list[Path]:
    """Draw those of these scans that are not kept into a folder; their files."""
    paths = []
    for scan in UNKEPT:
        if scan.name in names:
            paths.append(folder / scan.name)
            save(draw(scan), paths[-1], srgb_chunk=True)
    return paths


def draw_further_fields(names: Sequence[str], count: int, folder: Path) -> list[Path]:
    """Draw further fields into a folder; their files."""
    paths = []
    for scan in further_fields(names, count):
        paths.append(folder / scan.name)
        save(draw(scan), paths[-1], srgb_chunk=True)
    return paths


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
    drawn = render(cloth, scan.optics, sensor, scan.shape, light=light)
    if not scan.beside_px:
        return drawn
    shape = (scan.shape[0], scan.beside_px)
    beside = _artefact(scale, shape, (34, 12), -0.8, scan.seed, scan.optics)
    return replace(drawn, image=np.hstack([drawn.image, beside]).astype(np.uint8))


def draw_target(target: DrawnTarget) -> NDArray[np.uint8]:
    """A picture of the artefact that fills it."""
    return _artefact(target.scale, _SHAPE, (60, 60), target.turn, target.seed, Optics())


def _artefact(
    scale: Scale,
    shape: tuple[int, int],
    marks: tuple[int, int],
    turn: float,
    seed: int,
    optics: Optics,
) -> NDArray[np.uint8]:
    target = Target("dots", PITCH_UM, DOT_UM, *marks, turn, seed=seed)
    device = Device(scale.um_per_px_x, scale.um_per_px_y)
    drawn = render_target(target, device, optics, Sensor(noise=0.004, seed=seed), shape)
    return drawn.image.astype(np.uint8)


def draw_all(folder: Path) -> list[Path]:
    """Write every scan and scale file into a folder that is there; the files written."""
    written = []
    for scan in SCANS:
        path = folder / scan.name
        save(draw(scan), path, srgb_chunk=path.suffix == ".png")
        written.append(path)
    for target in TARGETS:
        path = folder / target.name
        Image.fromarray(draw_target(target)).save(path, quality=88)
        written.append(path)
    written.append(folder / CERTIFICATE)
    written[-1].write_bytes(_certificate())
    for dpi, scale in SCALES.items():
        path = folder / scale_name(dpi)
        path.write_text(json.dumps(scale.to_dict(), indent=1) + "\n", encoding="utf-8")
        written.append(path)
    return written


def _certificate() -> bytes:
    """One page of PDF, marked as invented."""
    lines = (
        "Certificate EX-1147 (invented, for a demonstration)",
        "Example Metrology certifies the glass plate G-7: dots on a square grid,",
        f"pitch {PITCH_UM:g} um, U = 0.04 um (k = 2), at 20 degrees Celsius.",
    )
    text = "BT /F1 12 Tf 60 760 Td 18 TL " + " ".join(f"({line}) ' " for line in lines) + "ET"
    text = text.replace("(invented", "\\(invented").replace("demonstration)", "demonstration\\)")
    text = text.replace("(k = 2)", "\\(k = 2\\)")
    objects = (
        "<</Type/Catalog/Pages 2 0 R>>",
        "<</Type/Pages/Kids[3 0 R]/Count 1>>",
        "<</Type/Page/Parent 2 0 R/MediaBox[0 0 595 842]/Contents 4 0 R"
        "/Resources<</Font<</F1 5 0 R>>>>>>",
        f"<</Length {len(text)}>>\nstream\n{text}\nendstream",
        "<</Type/Font/Subtype/Type1/BaseFont/Helvetica>>",
    )
    out, places = "%PDF-1.4\n", []
    for number, content in enumerate(objects, start=1):
        places.append(len(out))
        out += f"{number} 0 obj\n{content}\nendobj\n"
    table = "".join(f"{place:010} 00000 n \n" for place in places)
    return (
        f"{out}xref\n0 6\n0000000000 65535 f \n{table}trailer\n<</Size 6/Root 1 0 R>>\n"
        f"startxref\n{len(out)}\n%%EOF\n"
    ).encode("ascii")


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
