"""Draws a complete round sieve into a large TIFF, band by band, with exact truth.

Separate from `rendering`: no transfer function and no strips of squares. Wires are straight bands
in coordinates (u, v) that are turned, and bent by a long wave. The light past a family depends
only on its own coordinate and is the integral of a Gaussian, so each pixel is the product of two
table entries. Memory does not grow with the scan.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.synthetic.sensor import srgb_encode

_STEPS = 256  # table entries per px
_ROWS = 256  # rows of the picture drawn at a time
_WIRE, _OPEN, _FRAME, _OUTSIDE = 0.05, 0.75, 0.30, 0.02  # linear light


@dataclass(frozen=True)
class RoundCloth:
    """A round sieve that fills a square picture of `side` px; lengths in px.

    `sd` is the spread of single gaps; `bend` and `wave` are how far and over what length the
    wires swing aside; `blocked` openings hold a particle, `missing` have lost the wire piece
    after them in direction x. `blur` is a Gaussian's sigma, pixels included; `noise` is in linear
    light; the file holds 8 bits with the sRGB curve.
    """

    side: int
    aperture: float = 15.0
    wire: float = 9.0
    sd: float = 0.45
    angle_deg: float = 3.0
    bend: float = 0.0
    wave: float = 6000.0
    blur: float = 1.0
    noise: float = 0.008
    blocked: int = 0
    missing: int = 0
    seed: int = 0

    @property
    def radius(self) -> float:
        """Radius of the cloth, px; the frame's ring fills the rest."""
        return 0.49 * self.side


@dataclass(frozen=True, eq=False)
class RoundTruth:
    """Openings wholly inside the frame, arrays (n,): place and perpendicular widths in px.

    `blocked` and `torn` are their faults.
    """

    x: Float
    y: Float
    width_x: Float
    width_y: Float
    blocked: Bool
    torn: Bool


class _Gaps:
    """A family of wires: edges of the gaps, and a table of the light past it."""

    def __init__(self, cloth: RoundCloth, rng: np.random.Generator) -> None:
        pitch = cloth.aperture + cloth.wire
        half = math.ceil(0.75 * cloth.side / pitch)
        self.width = cloth.aperture + cloth.sd * np.clip(rng.standard_normal(2 * half), -3, 3)
        ends = np.cumsum(self.width + cloth.wire)
        ends -= ends[half]
        self.first, self.last = ends - self.width, ends
        self.low = float(self.first[0]) - cloth.wire
        u = self.low + np.arange(int((self.last[-1] - self.low) * _STEPS)) / _STEPS
        lit = np.zeros(len(u) + 1)
        # A sum of steps first, blurred once: exact where no two edges share a place.
        for edges, sign in ((self.first, 1.0), (self.last, -1.0)):
            at = (edges - self.low) * _STEPS + 0.5
            below = at.astype(np.intp)
            keep = below < len(u)
            np.add.at(lit, below[keep], sign * (1 - (at - below)[keep]))
            np.add.at(lit, below[keep] + 1, sign * (at - below)[keep])
        from scipy.ndimage import gaussian_filter1d

        share = np.cumsum(lit[:-1])
        self.table = gaussian_filter1d(share, cloth.blur * _STEPS, truncate=6).astype(np.float32)

    def light(self, u: Float) -> Float32:
        at = (u - self.low) * _STEPS
        at += 0.5
        return self.table.take(at.astype(np.int32), mode="clip")


def draw_round(cloth: RoundCloth, path: Path) -> RoundTruth:
    """Write the scan of `cloth` to a TIFF (big where it must be) and return the truth."""
    import tifffile

    rng = np.random.default_rng(cloth.seed)
    families = (_Gaps(cloth, rng), _Gaps(cloth, rng))
    truth, spots, lost = _openings(cloth, families, rng)
    encode = _encoding()
    big = cloth.side**2 > 4_000_000_000

    def bands() -> Iterator[NDArray[np.uint8]]:
        for top in range(0, cloth.side, _ROWS):
            light = _band(cloth, families, spots, lost, top, min(top + _ROWS, cloth.side))
            noise = np.random.default_rng([cloth.seed, top]).standard_normal(
                light.shape, dtype=np.float32
            )
            light += np.float32(cloth.noise) * noise
            np.clip(light, 0, 1, out=light)
            yield encode.take((light * 65535).astype(np.uint16))

    tifffile.imwrite(
        path,
        bands(),
        shape=(cloth.side, cloth.side),
        dtype=np.uint8,
        rowsperstrip=_ROWS,
        bigtiff=big,
        photometric="minisblack",
    )
    return truth


def _encoding() -> NDArray[np.uint8]:
    steps = (np.arange(65536) + 0.5) / 65536
    return np.floor(srgb_encode(steps) * 255 + 0.5).astype(np.uint8)


def _turned(cloth: RoundCloth, x: Float, y: Float) -> tuple[Float, Float]:
    """Coordinates (u, v) of places in the picture."""
    c, s = math.cos(math.radians(cloth.angle_deg)), math.sin(math.radians(cloth.angle_deg))
    x, y = x - 0.5 * cloth.side, y - 0.5 * cloth.side
    u, v = c * x + s * y, c * y - s * x
    if cloth.bend:
        k = 2 * math.pi / cloth.wave
        u, v = u + cloth.bend * np.sin(k * v), v + cloth.bend * np.sin(k * u)
    return u, v


def _back(cloth: RoundCloth, u: Float, v: Float) -> tuple[Float, Float]:
    """Places in the picture of coordinates (u, v)."""
    c, s = math.cos(math.radians(cloth.angle_deg)), math.sin(math.radians(cloth.angle_deg))
    a, b = u, v
    if cloth.bend:
        k = 2 * math.pi / cloth.wave
        for _ in range(40):  # a contraction: the swing is small over its length
            a, b = u - cloth.bend * np.sin(k * b), v - cloth.bend * np.sin(k * a)
    return c * a - s * b + 0.5 * cloth.side, s * a + c * b + 0.5 * cloth.side


def _openings(
    cloth: RoundCloth, families: tuple[_Gaps, _Gaps], rng: np.random.Generator
) -> tuple[RoundTruth, Float, Float]:
    """The truth, the particles (n, 3) as (u, v, radius), the missing pieces (n, 4) as boxes."""
    a, b = families
    col, row = (i.ravel() for i in np.meshgrid(np.arange(len(a.width)), np.arange(len(b.width))))
    u, v = 0.5 * (a.first + a.last)[col], 0.5 * (b.first + b.last)[row]
    x, y = _back(cloth, u, v)
    away = np.hypot(x - 0.5 * cloth.side, y - 0.5 * cloth.side)
    diagonal = 0.5 * np.hypot(a.width[col], b.width[row])
    kept = np.flatnonzero(away + diagonal < cloth.radius)
    x, y, u, v = (i[kept] for i in (x, y, u, v))
    col, row = col[kept], row[kept]
    slope_u = slope_v = np.zeros(len(x))
    if cloth.bend:
        k = 2 * math.pi / cloth.wave
        # The gradient of u has this length: widths in u, over it, are widths in the picture.
        slope_u, slope_v = (cloth.bend * k * np.cos(k * i) for i in _straight(cloth, x, y)[::-1])
    width_x = a.width[col] / np.hypot(1, slope_u)
    width_y = b.width[row] / np.hypot(1, slope_v)
    picked = rng.permutation(len(x))[: cloth.blocked + cloth.missing]
    filled, gone = picked[: cloth.blocked], picked[cloth.blocked :]
    spots = np.stack([u[filled], v[filled], np.full(len(filled), 0.45 * cloth.aperture)], axis=1)
    after = np.minimum(col[gone] + 1, len(a.first) - 1)
    lost = np.stack(
        [a.last[col[gone]], a.first[after], b.first[row[gone]], b.last[row[gone]]], axis=1
    )
    blocked, torn = np.zeros(len(x), np.bool_), np.zeros(len(x), np.bool_)
    blocked[filled] = True
    torn[gone] = True
    beside = np.isin(col * 100_000 + row, (after * 100_000 + row[gone]))
    return RoundTruth(x, y, width_x, width_y, blocked, torn | beside), spots, lost


def _straight(cloth: RoundCloth, x: Float, y: Float) -> tuple[Float, Float]:
    c, s = math.cos(math.radians(cloth.angle_deg)), math.sin(math.radians(cloth.angle_deg))
    x, y = x - 0.5 * cloth.side, y - 0.5 * cloth.side
    return c * x + s * y, c * y - s * x


def _band(
    cloth: RoundCloth,
    families: tuple[_Gaps, _Gaps],
    spots: Float,
    lost: Float,
    top: int,
    bottom: int,
) -> Float32:
    """Linear light (rows, side) of the picture's rows `top` to `bottom`."""
    x, y = np.arange(cloth.side, dtype=float)[None, :], np.arange(top, bottom, dtype=float)[:, None]
    u, v = _turned(cloth, x, y)
    light = families[0].light(u)
    light *= families[1].light(v)
    _draw_faults(cloth, light, u, v, spots, lost, top)
    light *= np.float32(_OPEN - _WIRE)
    light += np.float32(_WIRE)
    away = np.hypot(x - 0.5 * cloth.side, y - 0.5 * cloth.side).astype(np.float32)
    for limit, level in ((cloth.radius, _FRAME), (1.018 * cloth.radius, _OUTSIDE)):
        share = np.clip((away - np.float32(limit)) / np.float32(2 * cloth.blur) + 0.5, 0, 1)
        light += share * (np.float32(level) - light)
    return light


def _draw_faults(
    cloth: RoundCloth,
    light: Float32,
    u: Float,
    v: Float,
    spots: Float,
    lost: Float,
    top: int,
) -> None:
    """Draw particles and missing wire pieces, in place."""
    from scipy.special import ndtr

    size = int(cloth.aperture + cloth.wire)

    def near(a: float, b: float) -> tuple[slice, slice] | None:
        px, py = (float(i) for i in _back(cloth, np.array(a), np.array(b)))
        rows = slice(max(0, int(py) - size - top), min(light.shape[0], int(py) + size - top))
        return (rows, slice(int(px) - size, int(px) + size)) if rows.stop > rows.start else None

    for a, b, radius in spots:
        if part := near(a, b):
            away = np.hypot(u[part] - a, v[part] - b)
            light[part] *= ndtr((away - radius) / cloth.blur).astype(np.float32)
    for u0, u1, v0, v1 in lost:
        if part := near(0.5 * (u0 + u1), 0.5 * (v0 + v1)):
            wide = ndtr((u[part] - u0) / cloth.blur) - ndtr((u[part] - u1) / cloth.blur)
            high = ndtr((v[part] - v0) / cloth.blur) - ndtr((v[part] - v1) / cloth.blur)
            light[part] += (wide * high).astype(np.float32)
