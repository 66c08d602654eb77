"""From linear light to stored numbers: noise, encoding, clipping, quantising, JPEG."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float
from sieve_inspect.synthetic.model import Sensor


def srgb_encode(linear: Float) -> Float:
    """The sRGB curve of IEC 61966-2-1, linear light 0..1 to encoded 0..1."""
    clipped = np.clip(linear, 0.0, 1.0)
    bent = 1.055 * np.maximum(clipped, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(clipped <= 0.0031308, 12.92 * clipped, bent))


def expose(light: Float, sensor: Sensor) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Stored numbers of the light (any shape) that fell on the sensor; deterministic by seed."""
    level = light * sensor.gain
    if sensor.noise or sensor.shot:
        rng = np.random.default_rng([sensor.seed, 7])
        spread = np.sqrt(sensor.noise**2 + sensor.shot**2 * np.clip(level, 0.0, None))
        level = level + spread * rng.standard_normal(level.shape)
    encoded = srgb_encode(level) if sensor.encoding == "srgb" else np.clip(level, 0.0, 1.0)
    top = 2**sensor.bits - 1
    stored: Float = np.floor(encoded * top + 0.5)
    if sensor.bits == 8:
        return stored.astype(np.uint8)
    return stored.astype(np.uint16)


def jpeg_bytes(image: NDArray[np.uint8], quality: int) -> bytes:
    """A JPEG file of an 8-bit grey or RGB picture."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=quality)
    return out.getvalue()
