"""Rows of round, shining wires: the mean with the lamp's angle stated, and by a reference cloth.

How a lamp shows itself in the picture is tested on path-traced pictures, and 60 more drawn cases
are run by `tests/benchmarks/light_grid.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.illumination.model import Illumination
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.measurement.reference_cloth import CertifiedCloth, of_reference
from sieve_inspect.scale import exact_scale
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution, combine, lines_of
from sieve_inspect.synthetic import Cloth, Lamp, Optics, RoundLight, Sensor, Surface, render, save
from sieve_inspect.synthetic.reflection import BLACK, BRONZE, MATT, ROUGH, SILVER, STEEL
from sieve_inspect.validation.comparison import Compared, compare
from sieve_inspect.validation.drawing import UM_PER_PX, pixel_hash
from sieve_inspect.validation.model import Group, Row

_SHARE, _PX = 0.004, 0.02  # largest error by a reference cloth: share of a wire, and px
_CERTIFIED_UM = 0.02 * UM_PER_PX  # U of the reference cloth
_EXACT = exact_scale(UM_PER_PX, UM_PER_PX)
_REFERENCE = Cloth(18.3, 12.1, sd_px=0.15, rotation_deg=4, seed=12)


@dataclass(frozen=True)
class LightCase:
    """Cloth of round wires under a lamp; sizes in px, the wire as a share of the opening."""

    name: str
    surface: Surface
    lamp: Lamp
    aperture_px: float
    wire: float = 0.65
    blur_px: float = 0.9
    quick: bool = False

    @property
    def tried(self) -> str:
        """The case in words."""
        (x, y), (vx, vy) = self.lamp.half_angle_deg, self.lamp.view_deg
        angle = f"{x:g}°" if x == y else f"{x:g}° by {y:g}°"
        view = f", seen {vx:g}°, {vy:g}° aslant" if vx or vy else ""
        return f"{self.name.split('-')[0]} wires, lamp of {angle}, {self.aperture_px:g} px{view}"


def light_cases() -> list[LightCase]:
    """Five surfaces, lamps from a spot to a light pad, strip lamp and slanting view."""
    return [
        LightCase("steel-5", STEEL, Lamp((5, 5)), 14.2),
        LightCase("steel-20", STEEL, Lamp((20, 20)), 14.2, quick=True),
        LightCase("steel-45", STEEL, Lamp((45, 45)), 22.3),
        LightCase("steel-strip", STEEL, Lamp((45, 6)), 14.2),
        LightCase("steel-aslant", STEEL, Lamp((8, 8), (12.0, 0.0)), 14.2),
        LightCase("bronze-35", BRONZE, Lamp((35, 35)), 17.3, 0.7, 1.3),
        LightCase("silver-30", SILVER, Lamp((30, 30)), 14.2),
        LightCase("rough-50", ROUGH, Lamp((50, 50)), 14.2, 0.75),
        LightCase("matt-50", MATT, Lamp((50, 50)), 30.4, 0.4),
        LightCase("black-50", BLACK, Lamp((50, 50)), 9.7, 0.6, 0.7),
    ]


def light_row(case: LightCase, folder: Path) -> Row:
    """Draw a case and a reference cloth under the same lamp, measure both, compare.

    Raises what `measure` and `of_reference` raise.
    """
    cloth = Cloth(
        case.aperture_px + 0.137, case.wire * case.aperture_px + 0.071, sd_px=0.15, seed=11
    )
    stated = Illumination.stated(case.lamp.half_angle_deg, case.lamp.view_deg)
    view_alone = Illumination.stated(None, case.lamp.view_deg)
    reference, truth, ref_pixels = _measured(_REFERENCE, case, folder / "reference.png", view_alone)
    true = truth.width[truth.measured].mean(axis=0) * UM_PER_PX
    certified = CertifiedCloth((float(true[0]), float(true[1])), None, _CERTIFIED_UM)
    by_cloth = of_reference(reference, certified, "drawn")
    angle, of_angle, pixels = _measured(cloth, case, folder / "scan.png", stated)
    corrected = _measure(folder / "scan.png", cloth, by_cloth)
    by_angle, u_angle = errors_of_means(angle, of_angle)
    by_reference, u_reference = errors_of_means(corrected, compare(corrected, of_angle.truth))
    true = of_angle.width[of_angle.measured].mean(axis=0)
    allowed = np.minimum(u_reference, _SHARE * cloth.wire_px + _PX)
    return Row(
        group=Group.LIGHT,
        name=case.name,
        tried=case.tried,
        truth=f"mean {true[0]:.3f}, {true[1]:.3f} px",
        result=(
            f"angle stated: {by_angle[0]:+.3f}, {by_angle[1]:+.3f} px, U {u_angle.max():.3f}; "
            f"reference cloth: {by_reference[0]:+.3f}, {by_reference[1]:+.3f} px, "
            f"U {u_reference.max():.3f}"
        ),
        limit=f"within U; by a reference cloth within {100 * _SHARE:g} % of a wire + {_PX:g} px",
        holds=bool((abs(by_angle) <= u_angle).all() and (abs(by_reference) <= allowed).all()),
        figures={
            "angle_error_x_px": float(by_angle[0]),
            "angle_error_y_px": float(by_angle[1]),
            "reference_error_x_px": float(by_reference[0]),
            "reference_error_y_px": float(by_reference[1]),
        },
        pixels_sha256=(pixels, ref_pixels),
    )


def _measured(
    cloth: Cloth, case: LightCase, path: Path, light: Illumination
) -> tuple[Measurement, Compared, str]:
    """A cloth drawn and measured, compared with its truth, and the hash of its pixels."""
    drawn = render(
        cloth,
        Optics(size_px=case.blur_px),
        Sensor(noise=0.004, seed=5),
        (360, 460),
        light=RoundLight(case.lamp, case.surface),
    )
    save(drawn, path)
    measurement = _measure(path, cloth, light)
    return measurement, compare(measurement, drawn.truth), pixel_hash(drawn.image)


def _measure(path: Path, cloth: Cloth, light: Illumination) -> Measurement:
    nominal = cloth.aperture_px * UM_PER_PX
    return measure(path, nominal_um=nominal, scale=_EXACT, encoding="srgb", illumination=light)


def errors_of_means(measurement: Measurement, compared: Compared) -> tuple[Float, Float]:
    """Mean error in x and y, (2,), and its U (k = 2) without sampling, (2,), px."""
    expanded = [
        2 * combine(line for line in lines_of(measurement.budget) if _counts(line, direction))
        for direction in "xy"
    ]
    return compared.error[compared.measured].mean(axis=0), np.array(expanded) / UM_PER_PX


def _counts(line: Contribution, direction: str) -> bool:
    return line.direction == direction and line.source is not BudgetSource.SAMPLING
