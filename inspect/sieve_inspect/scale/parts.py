"""What makes a scale uncertain beside its artefact, and what counts where nothing is known of it.

Unknown is never zero: a cause that a scale does not state gets a line of every budget by a default,
that of the device's sensor; a device of unknown sensor counts as a flatbed with a line camera.
All are standard uncertainties; rectangular ones are the half-width over √3 (GUM 4.3.7).

* picture to picture, flatbeds 0.18 %: raw errors reach 240 um over the plate (Boron, ISPRS 1996).
  Taken as one wave over the 297 mm of A4, its slope is the scale error of a single field, at most
  π · 240 um / 297 mm = 0.25 %; of a random place that over √2 (arcsine distribution). A microscope
  has no plate, but a lens: distorted by D at the corner, with the square of the distance from the
  axis, a full picture has another scale than its middle by 2 D / 3, half-width. D = 0.3 %, with a
  telecentric lens 0.1 %: common practice, no source.
* stand-off: cloth 1 mm nearer to the lens or farther than the artefact was, of 300 mm, 0.19 %;
  under a microscope, where more is out of focus, 0.1 mm of 30 mm, the same. Contact sensors and
  telecentric lenses look straight down: 1 mm at a slant of 0.1° over fields of 10 mm, 0.01 %.
* tilt and sag: cloth 0.3 mm off its plane, of 300 mm, 0.06 %; under a microscope 0.03 mm of 30 mm;
  straight down 0.3 mm at that slant. Half-widths, paths and slant: common practice, no source.
* temperature, 0.01 %: 10 K of steel at 17 ppm/K (common practice, no source).
* edge bias, 0.05 px on each edge: this project's own figure, what is left of the edge model under
  one-sided blur and sharpening drivers; half-width of a rectangle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from sieve_inspect.errors import UsageError

EDGE_BIAS_PX = 0.05
U_EDGE_BIAS_PX = EDGE_BIAS_PX / math.sqrt(3)
_PATH_UM = 300_000.0
_MICROSCOPE_UM = 30_000.0
# How the scale of a sensor that looks straight down changes with height, relative, per um.
STRAIGHT_PER_UM = math.radians(0.1) / 10_000


class Sensor(StrEnum):
    """How a device sees the cloth."""

    LINE_CAMERA = "line camera"  # a flatbed with a lens
    CONTACT = "contact"  # a flatbed with rod lenses over the whole width
    AREA_CAMERA = "area camera"  # a microscope, or a camera on a stand
    TELECENTRIC = "telecentric"

    @classmethod
    def named(cls, name: str) -> Sensor:
        """The sensor of that name. Raises `UsageError`."""
        if name not in tuple(cls):
            raise UsageError(message=f"`sensor` is one of {', '.join(cls)}, not '{name}'.")
        return cls(name)

    @property
    def straight(self) -> bool:
        """Whether it sees every place straight from above."""
        return self in (Sensor.CONTACT, Sensor.TELECENTRIC)

    def scale_per_um(self, path_um: float) -> float:
        """Relative change of the scale for each um the cloth lies higher, lens at `path_um`."""
        return STRAIGHT_PER_UM if self.straight else 1 / path_um


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


_MOVED = "calibrate from three pictures of the artefact, moved and turned"
_HEIGHT = "record the device and its scale with --stand-off"
_FLAT = "lay the frame level and the cloth flat"
_PRACTICE = "common practice"
_PLATE = Default(
    math.pi * 240 / 297_000 / math.sqrt(2),
    "240 um over the plate, as one wave (Boron, ISPRS 1996)",
    _MOVED,
)
_WARM = Default(
    10 * 17e-6 / math.sqrt(3),
    f"10 K of steel, {_PRACTICE}",
    "note the temperature with --temperature",
)


def _distorted(percent: float) -> Default:
    """A lens that distorts by so much at the corner of its picture."""
    u = 2 / 3 * percent / 100 / math.sqrt(3)
    return Default(u, f"{percent:g} % distortion at the corner, {_PRACTICE}", _MOVED)


def _off_plane(um: float, path_um: float, remedy: str) -> Default:
    """Cloth off its plane under a lens at some distance."""
    basis = f"{um / 1000:g} mm of {path_um / 1000:g} mm, {_PRACTICE}"
    return Default(um / path_um / math.sqrt(3), basis, remedy)


def _straight(um: float, remedy: str) -> Default:
    """Cloth off its plane under a sensor that looks straight down."""
    basis = f"{um / 1000:g} mm at a slant of 0.1°, {_PRACTICE}"
    return Default(um * STRAIGHT_PER_UM / math.sqrt(3), basis, remedy)


def _defaults(pictures: Default, stand_off: Default, flat: Default) -> Mapping[Cause, Default]:
    return {
        Cause.PICTURES: pictures,
        Cause.STAND_OFF: stand_off,
        Cause.FLATNESS: flat,
        Cause.TEMPERATURE: _WARM,
    }


DEFAULTS: Mapping[Sensor, Mapping[Cause, Default]] = {
    Sensor.LINE_CAMERA: _defaults(
        _PLATE, _off_plane(1_000, _PATH_UM, _HEIGHT), _off_plane(300, _PATH_UM, _FLAT)
    ),
    Sensor.CONTACT: _defaults(_PLATE, _straight(1_000, _HEIGHT), _straight(300, _FLAT)),
    Sensor.AREA_CAMERA: _defaults(
        _distorted(0.3),
        _off_plane(100, _MICROSCOPE_UM, _HEIGHT),
        _off_plane(30, _MICROSCOPE_UM, _FLAT),
    ),
    Sensor.TELECENTRIC: _defaults(
        _distorted(0.1), _straight(1_000, _HEIGHT), _straight(300, _FLAT)
    ),
}
EDGE_BIAS = Default(
    U_EDGE_BIAS_PX,
    "0.05 px on each edge, this project's own figure",
    "calibrate with a line of certified width (`sieveward scale --pattern line`)",
)
