"""Draws a cloth as a scanner would see it, with the exact truth beside the picture.

geometry → share of light per square (1/n px) → levels, ring, foreign matter
         → blur (transfer function) → mean over each pixel → falloff → sensor
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic.damage import Faults, place_faults
from sieve_inspect.synthetic.frame import Floats, frame_of
from sieve_inspect.synthetic.model import Cloth, Light, Optics, Ring, Sensor
from sieve_inspect.synthetic.optics import oversampling, reach_px, transfer
from sieve_inspect.synthetic.scene import Scene
from sieve_inspect.synthetic.sensor import expose, jpeg_bytes
from sieve_inspect.synthetic.truth import Truth
from sieve_inspect.synthetic.wires import MARGIN_PX, weave

__all__ = ["Render", "render", "render_light"]

_STRIP_SQUARES = 24_000_000  # per strip: about 100 MB a copy


@dataclass(frozen=True)
class Render:
    """A picture (height, width) or (height, width, 3), uint8 or uint16, and its truth.

    `jpeg` holds the file the picture was decoded from, where the sensor has a JPEG quality.
    """

    image: NDArray[np.uint8] | NDArray[np.uint16]
    truth: Truth
    jpeg: bytes | None = None


def render(
    cloth: Cloth,
    optics: Optics | None = None,
    sensor: Sensor | None = None,
    shape: tuple[int, int] = (600, 800),
    *,
    light: Light | None = None,
) -> Render:
    """Draw `cloth` in a picture of `shape` (height, width) px; the same call, the same picture.

    Left out, the optics blur by a Gaussian of 1 px, the sensor stores 8 bits with the sRGB curve
    and no noise, and the light is transmitted. Raises `UsageError` for values that make no sense.
    """
    sensor = sensor or Sensor()
    levels, truth = render_light(cloth, optics, shape, light=light, sensor=sensor)
    image = expose(levels, sensor)
    if sensor.jpeg_quality is None:
        return Render(image, truth)
    return _through_jpeg(image.astype(np.uint8), sensor.jpeg_quality, truth)


def _through_jpeg(image: NDArray[np.uint8], quality: int, truth: Truth) -> Render:
    import io

    from PIL import Image

    data = jpeg_bytes(image, quality)
    with Image.open(io.BytesIO(data)) as picture:
        return Render(np.asarray(picture).copy(), truth, data)


def render_light(
    cloth: Cloth,
    optics: Optics | None = None,
    shape: tuple[int, int] = (600, 800),
    *,
    light: Light | None = None,
    sensor: Sensor | None = None,
) -> tuple[Floats, Truth]:
    """The noise-free linear light on each pixel, (height, width) or (height, width, 3).

    Of the sensor only the channels and their shift matter here.
    """
    optics, light, sensor = optics or Optics(), light or Light(), sensor or Sensor()
    if min(shape) < 8:
        raise UsageError(message="A picture has to be at least 8 by 8 px.")
    frame = frame_of(cloth, shape)
    families = weave(cloth, frame, shape)
    families, truth, faults = place_faults(cloth, frame, families, shape)
    scene = Scene(frame, families)
    painter = _Painter(scene, faults, light, cloth.ring, shape)
    levels = _look(painter, optics, sensor, shape)
    levels *= _field(light, shape)[..., None]
    levels += light.stray
    return (levels if sensor.channels == 3 else levels[..., 0]), truth


def _field(light: Light, shape: tuple[int, int]) -> Floats:
    """How bright the lamp is at each pixel: 1 in the middle, (height, width)."""
    y = np.linspace(-1, 1, shape[0])[:, None]
    x = np.linspace(-1, 1, shape[1])[None, :]
    result: Floats = (1 - light.falloff * (x**2 + y**2) / 2) * (1 + light.tilt * x / 2)
    return result


@dataclass(frozen=True)
class _Painter:
    """Turns a grid of squares into linear light before the optics."""

    scene: Scene
    faults: Faults
    light: Light
    ring: Ring | None
    shape: tuple[int, int]

    def __call__(self, x: Floats, y: Floats, step_px: float) -> NDArray[np.float32]:
        open_share = self.scene.transmission(x, y, step_px)
        self.faults.draw(self.scene, open_share, x, y, step_px)
        wire, span = self.light.wire_level, self.light.open_level - self.light.wire_level
        open_share *= np.float32(span)
        open_share += np.float32(wire)
        if self.ring is not None:
            _paint_ring(open_share, self.ring, x, y, step_px, self.shape)
        return open_share


def _paint_ring(
    level: NDArray[np.float32],
    ring: Ring,
    x: Floats,
    y: Floats,
    step_px: float,
    shape: tuple[int, int],
) -> None:
    cx, cy = ring.centre_px or ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    for i in range(0, len(y), 256):
        part = level[i : i + 256]
        radius = np.hypot(x[None, :] - cx, y[i : i + 256, None] - cy)
        for limit, value in (
            (ring.radius_px, ring.level),
            (ring.radius_px + ring.width_px, ring.surround),
        ):
            share = np.clip((radius - limit) / step_px + 0.5, 0, 1).astype(np.float32)
            part += share * (np.float32(value) - part)


def _look(painter: _Painter, optics: Optics, sensor: Sensor, shape: tuple[int, int]) -> Floats:
    """Blur and integrate over the pixels, strip by strip: (height, width, channels)."""
    height, width = shape
    n = oversampling(optics)
    shift = max(abs(v) for v in sensor.channel_shift_px) if sensor.channels == 3 else 0.0
    margin = min(MARGIN_PX - 8, math.ceil(reach_px(optics) + shift + 2))
    plain = optics.kind == "none" and shift == 0
    margin = 0 if plain else margin
    rows = max(16, _STRIP_SQUARES // ((width + 2 * margin) * n * n) - 2 * margin)
    result = np.empty((height, width, sensor.channels))
    for top in range(0, height, rows):
        bottom = min(height, top + rows)
        if plain:
            squares = painter(_grid(0, width, 1), _grid(top, bottom, 1), 1.0)
            result[top:bottom] = squares[..., None]
        else:
            result[top:bottom] = _strip(painter, optics, sensor, (top, bottom), width, margin, n)
    return result


def _grid(start: int, stop: int, n: int) -> Floats:
    """Centres of the squares of the pixels start..stop, n to a pixel."""
    result: Floats = start - 0.5 + (np.arange((stop - start) * n) + 0.5) / n
    return result


def _padded(length: int, n: int) -> int:
    """The next length in px whose n-fold transforms quickly."""
    from scipy.fft import next_fast_len

    while next_fast_len(length * n, real=True) != length * n:
        length += 1
    return length


def _strip(
    painter: _Painter,
    optics: Optics,
    sensor: Sensor,
    span: tuple[int, int],
    width: int,
    margin: int,
    n: int,
) -> Floats:
    from scipy.fft import irfft2, rfft2, rfftfreq

    top, bottom = span
    tall = _padded(bottom - top + 2 * margin, n)
    wide = _padded(width + 2 * margin, n)
    left = margin + (wide - width - 2 * margin) // 2
    above = margin + (tall - (bottom - top) - 2 * margin) // 2
    x = _grid(-left, wide - left, n)
    y = _grid(top - above, top - above + tall, n)
    spectrum = rfft2(painter(x, y, 1 / n), workers=2)
    fx, fy = rfftfreq(wide * n, 1 / n), np.fft.fftfreq(tall * n, 1 / n)
    for i in range(0, len(fy), 256):
        spectrum[i : i + 256] *= transfer(optics, fx, fy[i : i + 256]).astype(np.complex64)
    result = np.empty((bottom - top, width, sensor.channels))
    for channel in range(sensor.channels):
        dx, dy = (v * (1, 0, -1)[channel] for v in sensor.channel_shift_px)
        if sensor.channels == 1 or (dx == 0 and dy == 0):
            shifted = spectrum
        else:
            turn_y = np.exp(-2j * np.pi * dy * fy).astype(np.complex64)[:, None]
            turn_x = np.exp(-2j * np.pi * dx * fx).astype(np.complex64)[None, :]
            shifted = spectrum * turn_y * turn_x
        fine = irfft2(shifted, s=(tall * n, wide * n), workers=2)
        fine = fine[above * n : (above + bottom - top) * n, left * n : (left + width) * n]
        result[..., channel] = fine.reshape(bottom - top, n, width, n).mean(axis=(1, 3))
    return result
