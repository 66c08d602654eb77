"""Drawing a case: the picture as a file, its truth, and the noise on its edges."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float
from sieve_inspect.image import srgb_to_linear
from sieve_inspect.scale import Scale, exact_scale
from sieve_inspect.synthetic import (
    Cloth,
    Light,
    Optics,
    Sensor,
    Truth,
    render_light,
    save,
)
from sieve_inspect.synthetic.rendering import developed

UM_PER_PX = 10.0  # brings 5 to 60 px to 50 to 600 um, sizes the standards know
_STEEP = 0.5  # of the steepest slope: where noise moves an edge


@dataclass(frozen=True)
class Case:
    """A picture to draw; `tried` describes it, `suffix` is the file name's extension."""

    name: str
    tried: str
    cloth: Cloth
    optics: Optics = field(default_factory=Optics)
    sensor: Sensor = field(default_factory=Sensor)
    light: Light = field(default_factory=Light)
    shape: tuple[int, int] = (520, 680)
    suffix: str = ".png"
    quick: bool = False

    @property
    def scale(self) -> Scale:
        """The exact scale: the cloth's stretch undone, without uncertainty."""
        return exact_scale(UM_PER_PX / self.cloth.stretch_x, UM_PER_PX / self.cloth.stretch_y)

    @property
    def nominal_um(self) -> float:
        """The aperture that was drawn, um."""
        return self.cloth.aperture_px * UM_PER_PX


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn case on disk: picture, truth, hash of the pixels.

    `noise` is the standard deviation of a pixel on the edges, in linear light as a share of the
    contrast between opening and wire. It includes sensor noise, the steps of 8 bits, and JPEG.
    """

    path: Path
    image: NDArray[np.uint8] | NDArray[np.uint16]
    truth: Truth
    noise: float
    sha256: str


def draw(case: Case, folder: Path) -> Drawn:
    """Draw a case into `folder`. The same case gives the same picture."""
    levels, truth = render_light(
        case.cloth, case.optics, case.shape, light=case.light, sensor=case.sensor
    )
    picture = developed(levels, truth, case.sensor)
    path = folder / f"{case.name}{case.suffix}"
    save(picture, path)
    noise = _noise(levels, picture.image, case)
    return Drawn(path, picture.image, truth, noise, pixel_hash(picture.image))


def pixel_hash(image: NDArray[np.uint8] | NDArray[np.uint16]) -> str:
    """SHA-256 of a picture's pixels, row by row, little-endian."""
    little = image.astype(image.dtype.newbyteorder("<"), copy=False)
    return hashlib.sha256(np.ascontiguousarray(little).tobytes()).hexdigest()


def _noise(levels: Float, image: NDArray[np.uint8] | NDArray[np.uint16], case: Case) -> float:
    stored = image / float(np.iinfo(image.dtype).max)
    seen = srgb_to_linear(stored) if case.sensor.encoding == "srgb" else stored
    clipped = np.asarray((stored <= 0) | (stored >= 1))
    off = seen / case.sensor.gain - levels
    if levels.ndim == 3:
        off, levels, clipped = (
            off.mean(axis=2),
            levels.mean(axis=2),
            np.asarray(clipped.any(axis=2)),
        )
    slope = np.hypot(*np.gradient(levels))
    edge = (slope > _STEEP * np.percentile(slope, 99)) & ~clipped
    contrast = abs(case.light.open_level - case.light.wire_level)
    # The mean over the field of (x² + y²) / 2 is a third: so much of the falloff is seen.
    contrast *= 1 - case.light.falloff / 3
    return float(np.std(off[edge])) / contrast
