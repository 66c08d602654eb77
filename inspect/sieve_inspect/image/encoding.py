"""Undoing the encoding: stored numbers to linear light.

Scanners store the sRGB curve (IEC 61966-2-1). Read as if it were linear, its steep foot moves
every edge outward: 0.8 px per aperture at a blur of 1 px.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.image import opencv
from sieve_inspect.image.bands import ScanSource
from sieve_inspect.image.reading import Scan
from sieve_inspect.image.samples import Raw

ENCODINGS = ("auto", "srgb", "linear")


def srgb_to_linear(value: Float) -> Float:
    """The sRGB curve of IEC 61966-2-1, stored value in 0..1 to linear light in 0..1."""
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True)
class Assumption:
    """The encoding of the stored numbers ("srgb", "linear" or "gamma G") and its reason.

    `guess` is true where nothing in the file names it; `doubt` is why a verdict under it can only
    be indicative, empty where it is sure; `bent` where no blur under it explains the edges.
    """

    encoding: str
    reason: str
    guess: bool = False
    doubt: str = ""
    bent: bool = False

    @property
    def alternative(self) -> str:
        """The other encoding that a file without tags may have."""
        return "linear" if self.encoding == "srgb" else "srgb"


def assumed_encoding(scan: Scan | ScanSource, wanted: str) -> Assumption:
    """The encoding of a scan: as `wanted`, unless "auto"; else by its tags, else by its depth.

    Raises `UsageError` for an unknown encoding.
    """
    if wanted not in ENCODINGS:
        names = " or ".join((", ".join(ENCODINGS[:-1]), ENCODINGS[-1]))
        raise UsageError(message=f"Encoding '{wanted}' not known: give `encoding` as {names}.")
    if wanted != "auto":
        return Assumption(wanted, "as given")
    if scan.linear_tag:
        return Assumption("linear", "the file's colour profile says linear")
    if scan.srgb_tag:
        return Assumption("srgb", "the file's colour tags say sRGB")
    if scan.gamma is not None:
        return _from_gamma(scan.gamma)
    if scan.bits == 16:
        return Assumption("linear", "16 bit without colour tags, as scanners store raw light", True)
    return Assumption("srgb", "8 bit without colour tags, as scanners store pictures", True)


def _from_gamma(gamma: float) -> Assumption:
    """The encoding behind a PNG's gAMA entry; 0.4545 stands for the sRGB curve (W3C PNG)."""
    reason = f"the file's gamma is {gamma:.2f}"
    if 0.9 <= gamma <= 1.1:
        return Assumption("linear", reason)
    if 0.42 <= gamma <= 0.48:
        return Assumption("srgb", reason)
    return Assumption(f"gamma {1 / gamma:.2f}", reason)


def linear_to_srgb(value: Float) -> Float:
    """The inverse of `srgb_to_linear`."""
    bent = 1.055 * np.maximum(value, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(value <= 0.0031308, 12.92 * value, bent)


def stored_by(encoding: str) -> Callable[[Float], Float]:
    """The function that turns linear light into the stored numbers of an encoding, 0..1."""
    if encoding.startswith("gamma "):
        power = 1 / float(encoding.split()[1])
        return lambda value: np.asarray(value**power)
    return linear_to_srgb if encoding == "srgb" else np.asarray


def light_table(bits: int, encoding: str) -> Float32:
    """Linear light in 0..1 of every stored number, (256,) or (65536,)."""
    top = (1 << bits) - 1
    steps = np.arange(top + 1) / top
    if encoding == "srgb":
        steps = srgb_to_linear(steps)
    elif encoding.startswith("gamma "):
        steps = steps ** float(encoding.split()[1])
    return steps.astype(np.float32)


def light_of(raw: Raw, table: Float32) -> Float32:
    """Grey linear light (h, w) of stored pixels; colours are averaged after undoing the curve."""
    if raw.ndim == 2:
        return opencv.look_up(table, raw)
    light = opencv.look_up(table, raw[:, :, 0])
    for channel in (1, 2):
        light += opencv.look_up(table, raw[:, :, channel])
    light /= 3
    return light


def linear_light(scan: Scan, encoding: str) -> Float32:
    """Grey linear light (h, w) in 0..1 of a scan."""
    return light_of(scan.raw, light_table(scan.bits, encoding))
