"""What makes a scale uncertain beside its artefact, and what counts where nothing is known of it.

Unknown is never zero: a cause that a scale does not state gets a line of every budget by a default.
All are standard uncertainties; rectangular ones are the half-width over √3 (GUM 4.3.7).

* picture to picture, 0.18 %: raw errors of flatbeds reach 240 um over the plate (Boron, ISPRS
  1996). Taken as one wave over the 297 mm of A4, its slope is the scale error of a single field,
  at most π · 240 um / 297 mm = 0.25 %; of a random place that over √2 (arcsine distribution).
* stand-off, 0.19 %: cloth 1 mm nearer to the lens or farther than the artefact was, of 300 mm.
* tilt and sag, 0.06 %: cloth 0.3 mm off its plane, of 300 mm. Half-widths and path of both: common
  practice, no source; the path is that of a flatbed with a lens.
* temperature, 0.01 %: 10 K of steel at 17 ppm/K (common practice, no source).
* edge bias, 0.05 px on each edge: this project's own figure, what is left of the edge model under
  one-sided blur and sharpening drivers; half-width of a rectangle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

EDGE_BIAS_PX = 0.05
U_EDGE_BIAS_PX = EDGE_BIAS_PX / math.sqrt(3)
_PATH_UM = 300_000.0


class Cause(StrEnum):
    """A cause of a scale's uncertainty with a line of its own in every budget."""

    PICTURES = "picture to picture"
    STAND_OFF = "stand-off"
    FLATNESS = "tilt and sag"
    TEMPERATURE = "temperature"


@dataclass(frozen=True)
class ScalePart:
    """A stated part of a scale's uncertainty: relative standard uncertainties in x and y."""

    cause: Cause
    u_rel_x: float
    u_rel_y: float

    @classmethod
    def from_dict(cls, data: Mapping[str, object]) -> ScalePart:
        """Read what `to_dict` wrote. Raises `KeyError`, `ValueError`, `TypeError`."""
        values = [float(str(data[name])) for name in ("u_rel_x", "u_rel_y")]
        if not all(0 <= value < 1 for value in values):
            raise ValueError("the u_rel of a part must lie in 0 to 1")
        return cls(Cause(str(data["cause"])), *values)

    def to_dict(self) -> dict[str, object]:
        """For JSON."""
        return {"cause": str(self.cause), "u_rel_x": self.u_rel_x, "u_rel_y": self.u_rel_y}


@dataclass(frozen=True)
class Default:
    """What counts where a scale does not state a cause: its u, where that is from, what helps."""

    u: float
    basis: str
    remedy: str


DEFAULTS: Mapping[Cause, Default] = {
    Cause.PICTURES: Default(
        math.pi * 240 / 297_000 / math.sqrt(2),
        "240 um over the plate, as one wave (Boron, ISPRS 1996)",
        "calibrate from three pictures of the artefact, moved and turned",
    ),
    Cause.STAND_OFF: Default(
        1_000 / _PATH_UM / math.sqrt(3),
        "1 mm of 300 mm, common practice",
        "record the device and its scale with --stand-off",
    ),
    Cause.FLATNESS: Default(
        300 / _PATH_UM / math.sqrt(3),
        "0.3 mm of 300 mm, common practice",
        "lay the frame level and the cloth flat",
    ),
    Cause.TEMPERATURE: Default(
        10 * 17e-6 / math.sqrt(3),
        "10 K of steel, common practice",
        "note the temperature with --temperature",
    ),
}
EDGE_BIAS = Default(
    U_EDGE_BIAS_PX,
    "0.05 px on each edge, this project's own figure",
    "calibrate with a line of certified width (`sieveward scale --pattern line`)",
)
