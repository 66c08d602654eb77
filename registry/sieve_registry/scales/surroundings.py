"""What the height of the cloth and the temperature do to a scale.

* stand-off: an object d farther from a lens at the distance D appears smaller by d/D, less under a
  sensor that looks straight down (see `sieve_inspect.scale.parts`). A difference within the
  device's allowance counts as unknown in full, half-width of a rectangle (GUM 4.3.7).
* temperature of an artefact: its pitch is p (1 + α (T − 20)), corrected; left are a tenth of α and
  1 K of the thermometer.
* temperature of a check: the cloth is given at 20 degrees (ISO 1), widths times 1 − α (T − 20)
  with α of steel and bronze, 17 ± 2 ppm/K; corrected. What the device does between calibration
  and check is unknown: up to 24 ppm/K, aluminium. Expansions: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sieve_inspect.scale.parts import Cause, Sensor

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale

CERTIFIED_AT_C = 20.0  # ISO 1:2022, standard reference temperature
_CLOTH_PPM, _CLOTH_PPM_WITHIN = 17.0, 2.0
_DEVICE_PPM = 24.0
_ALPHA_WITHIN = 0.1  # of an artefact's stated expansion
_THERMOMETER_K = 1.0


@dataclass(frozen=True)
class Effect:
    """What a circumstance does to a scale: the relative correction made, and the u (k = 1) left."""

    cause: Cause
    u_rel: float
    correction_rel: float = 0.0

    def applied(self, scale: Scale) -> Scale:
        """The scale with the correction, and the rest as a part of its uncertainty."""
        return self._corrected(scale).with_part(self.cause, self.u_rel, self.u_rel)

    def within(self, scale: Scale) -> Scale:
        """The same of a calibration: nothing is stated about the check that will use the scale."""
        u_x, u_y = (math.hypot(u, self.u_rel) for u in (scale.u_rel_x, scale.u_rel_y))
        return replace(self._corrected(scale), u_rel_x=u_x, u_rel_y=u_y)

    def _corrected(self, scale: Scale) -> Scale:
        return scale.stretched(1 + self.correction_rel) if self.correction_rel else scale

    def to_dict(self) -> dict[str, Any]:
        """The entry in a check's chain."""
        corrected = {"correction_rel": self.correction_rel} if self.correction_rel else {}
        return {"name": str(self.cause), "u_rel": self.u_rel, **corrected}


def of_stand_off(
    difference_um: float, path_um: float, sensor: Sensor = Sensor.LINE_CAMERA
) -> Effect:
    """Cloth that lies so much higher or lower than the artefact did."""
    change = abs(difference_um) * sensor.scale_per_um(path_um)
    return Effect(Cause.STAND_OFF, change / math.sqrt(3))


def of_artefact(ppm_per_k: float | None, temperature_c: float) -> Effect:
    """An artefact whose pictures were taken at a temperature; its expansion may be unknown."""
    warmer = temperature_c - CERTIFIED_AT_C
    if ppm_per_k is None:
        return Effect(Cause.TEMPERATURE, _u(_CLOTH_PPM * warmer))
    left = _u(_ALPHA_WITHIN * ppm_per_k * warmer, ppm_per_k * _THERMOMETER_K)
    return Effect(Cause.TEMPERATURE, left, ppm_per_k * warmer * 1e-6)


def of_cloth(temperature_c: float, device_before_c: float | None) -> Effect:
    """Cloth scanned at a temperature by a device calibrated at another.

    None: the artefact is in the scan, so that the device shows its own state.
    """
    warmer = temperature_c - CERTIFIED_AT_C
    device = 0.0 if device_before_c is None else _DEVICE_PPM * (temperature_c - device_before_c)
    left = _u(_CLOTH_PPM_WITHIN * warmer, _CLOTH_PPM * _THERMOMETER_K, device)
    return Effect(Cause.TEMPERATURE, left, -_CLOTH_PPM * warmer * 1e-6)


def _u(*half_widths_ppm: float) -> float:
    """Relative standard uncertainty of rectangles with these half-widths, ppm."""
    return math.hypot(*half_widths_ppm) * 1e-6 / math.sqrt(3)
