"""Draws a cloth as a scanner would see it, with the exact truth beside the picture.

geometry → share of light per square (1/n px) → levels, ring, foreign matter
         → blur (transfer function) → mean over each pixel → falloff → sensor

Under a blur of 0.5 px or more a width, from the moments of its light, agrees with the truth
within 0.0005 px at every angle. Some 2.5 megapixels take 1 to 5 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic.damage import Faults, place_faults, ring_centre
from sieve_inspect.synthetic.frame import frame_of
from sieve_inspect.synthetic.model import Cloth, Damage, Light, Optics, Ring, Sensor
from sieve_inspect.synthetic.optics import oversampling, reach_px, transfer
from sieve_inspect.synthetic.reflection import RoundLight
from sieve_inspect.synthetic.round_wires import RoundWires
from sieve_inspect.synthetic.scene import SMOOTH, Scene
from sieve_inspect.synthetic.sensor import expose, jpeg_bytes
from sieve_inspect.synthetic.truth import Truth
from sieve_inspect.synthetic.wires import MARGIN_PX, weave

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
    light: Light | RoundLight | None = None,
) -> Render:
    """Draw `cloth` in a picture of `shape` (height, width) px; the same call, the same picture.

    Left out, the optics blur by a Gaussian of 1 px, the sensor stores 8 bits with the sRGB curve
    and no noise, and the light is transmitted. Raises `UsageError` for values that make no sense.
    """
    sensor = sensor or Sensor()
    levels, truth = render_light(cloth, optics, shape, light=light, sensor=sensor)
    return developed(levels, truth, sensor)


def developed(levels: Float, truth: Truth, sensor: Sensor) -> Render:
    """The picture of linear light (h, w) or (h, w, 3), through a JPEG if the sensor has one."""
    image = expose(levels, sensor)
    if sensor.jpeg_quality is None:
        return Render(image, truth)
    import io

    from PIL import Image

    data = jpeg_bytes(image.astype(np.uint8), sensor.jpeg_quality)
    with Image.open(io.BytesIO(data)) as picture:
        return Render(np.asarray(picture).copy(), truth, data)


def render_light(
    cloth: Cloth,
    optics: Optics | None = None,
    shape: tuple[int, int] = (600, 800),
    *,
    light: Light | RoundLight | None = None,
    sensor: Sensor | None = None,
) -> tuple[Float, Truth]:
    """The noise-free linear light on each pixel, (height, width) or (height, width, 3).

    Of the sensor only the channels and their shift matter here.
    """
    optics, light, sensor = optics or Optics(), light or Light(), sensor or Sensor()
    if min(shape) < 8:
        raise UsageError(message="A picture has to be at least 8 by 8 px.")
    frame = frame_of(cloth, shape)
    families = weave(cloth, frame, shape)
    families, truth, faults = place_faults(cloth, frame, families, shape)
    painter: _Painter | _RoundPainter
    if isinstance(light, RoundLight):
        if cloth.damage != Damage() or cloth.ring is not None or cloth.along_sd_px:
            raise UsageError(message="Round wires are drawn without damage, ring or wander.")
        painter = _RoundPainter(RoundWires(frame, families, light.lamp, light.surface), light)
        light = Light(light.open_level)
    else:
        scene = Scene(frame, families, 0 if optics.kind == "none" else SMOOTH)
        painter = _Painter(scene, faults, light, cloth.ring, shape)
    shift = sensor.channel_shift_px
    shifts = (shift, (0.0, 0.0), (-shift[0], -shift[1])) if sensor.channels == 3 else ((0.0, 0.0),)
    levels = _Camera(optics, shifts, shape).picture(painter)
    levels *= _field(light, shape)[..., None]
    levels += light.stray
    return (levels if sensor.channels == 3 else levels[..., 0]), truth


def _field(light: Light, shape: tuple[int, int]) -> Float:
    """How bright the lamp is at each pixel: 1 in the middle, (height, width)."""
    y = np.linspace(-1, 1, shape[0])[:, None]
    x = np.linspace(-1, 1, shape[1])[None, :]
    return np.asarray((1 - light.falloff * (x**2 + y**2) / 2) * (1 + light.tilt * x / 2))


@dataclass(frozen=True)
class _Painter:
    """Turns a grid of squares into linear light before the optics."""

    scene: Scene
    faults: Faults
    light: Light
    ring: Ring | None
    shape: tuple[int, int]
    smooth: int = SMOOTH

    def __call__(self, x: Float, y: Float, step_px: float) -> Float32:
        open_share = self.scene.transmission(x, y, step_px)
        self.faults.draw(self.scene, open_share, x, y, step_px)
        wire, span = self.light.wire_level, self.light.open_level - self.light.wire_level
        open_share *= np.float32(span)
        open_share += np.float32(wire)
        if self.ring is not None:
            cx, cy = ring_centre(self.ring, self.shape)
            for i in range(0, len(y), 256):
                away = np.hypot(x[None, :] - cx, y[i : i + 256, None] - cy)
                _paint_ring(open_share[i : i + 256], self.ring, away, step_px)
        return open_share


@dataclass(frozen=True)
class _RoundPainter:
    """Turns a grid of squares into the light of round wires before the optics."""

    wires: RoundWires
    light: RoundLight
    smooth: int = 0

    def __call__(self, x: Float, y: Float, step_px: float) -> Float32:
        result = self.wires.transmission(x, y, step_px)
        result *= np.float32(self.light.open_level - self.light.floor)
        result += np.float32(self.light.floor)
        return result


def _paint_ring(level: Float32, ring: Ring, away: Float, step_px: float) -> None:
    """Lay ring and surround over the cloth, `away` (n, m) px from the ring's middle."""
    for limit, value in (
        (ring.radius_px, ring.level),
        (ring.radius_px + ring.width_px, ring.surround),
    ):
        share = np.clip((away - limit) / step_px + 0.5, 0, 1).astype(np.float32)
        level += share * (np.float32(value) - level)


@dataclass(frozen=True)
class _Camera:
    """Optics and channels over a picture of `shape`; `n` squares per px, `margin` px around."""

    optics: Optics
    shifts: tuple[tuple[float, float], ...]
    shape: tuple[int, int]

    @property
    def n(self) -> int:
        return oversampling(self.optics)

    @property
    def margin(self) -> int:
        far = max(abs(v) for shift in self.shifts for v in shift)
        return min(MARGIN_PX - 8, math.ceil(reach_px(self.optics) + far + 2))

    def picture(self, painter: _Painter | _RoundPainter) -> Float:
        """Blur and integrate over the pixels, strip by strip: (height, width, channels)."""
        height, width = self.shape
        result = np.empty((height, width, len(self.shifts)))
        if self.optics.kind == "none":
            for channel, (dx, dy) in enumerate(self.shifts):
                squares = painter(_count(width) - dx, _count(height) - dy, 1.0)
                result[..., channel] = squares
            return result
        line = (width + 2 * self.margin) * self.n**2
        rows = max(16, _STRIP_SQUARES // line - 2 * self.margin)
        for top in range(0, height, rows):
            bottom = min(height, top + rows)
            result[top:bottom] = self._strip(painter, top, bottom)
        return result

    def _strip(self, painter: _Painter | _RoundPainter, top: int, bottom: int) -> Float:
        from scipy.fft import irfft2, rfft2

        n, (_, width) = self.n, self.shape
        y, above = _squares(top, bottom, self.margin, n)
        x, left = _squares(0, width, self.margin, n)
        fx = n * _count(len(x) // 2 + 1) / len(x)
        fy = n * np.fft.ifftshift(_count(len(y)) - len(y) // 2) / len(y)
        spectrum = rfft2(painter(x, y, 1 / n), workers=2)
        # The patches were smoother than squares: taken out again here (see scene.py).
        fine_x, fine_y = np.sinc(fx / n) ** -painter.smooth, np.sinc(fy / n) ** -painter.smooth
        for i in range(0, len(fy), 256):
            part = slice(i, i + 256)
            blur = transfer(self.optics, fx, fy[part])
            spectrum[part] *= blur * fine_x * fine_y[part, None]
        result = np.empty((bottom - top, width, len(self.shifts)))
        for channel, (dx, dy) in enumerate(self.shifts):
            shifted = spectrum
            if dx or dy:
                turn_x, turn_y = np.exp(-2j * np.pi * dx * fx), np.exp(-2j * np.pi * dy * fy)
                shifted = spectrum * (turn_y[:, None] * turn_x).astype(np.complex64)
            fine = irfft2(shifted, s=(len(y), len(x)), workers=2)
            fine = fine[above : above + (bottom - top) * n, left : left + width * n]
            result[..., channel] = fine.reshape(bottom - top, n, width, n).mean(axis=(1, 3))
        return result


def _count(length: int) -> Float:
    return np.arange(length, dtype=np.float64)


def _squares(start: int, stop: int, margin: int, n: int) -> tuple[Float, int]:
    """Centres (px) of n squares to a pixel over start..stop and at least the margin around.

    As many as transform quickly; also returns how many lie before `start`.
    """
    from scipy.fft import next_fast_len

    length = stop - start + 2 * margin
    while next_fast_len(length * n, real=True) != length * n:
        length += 1
    before = margin + (length - (stop - start) - 2 * margin) // 2
    first = start - before - 0.5
    return first + (_count(length * n) + 0.5) / n, before * n
