"""Where the edges of an opening roughly are, from three lines of nearest pixels across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CoarseEdges", "coarse_edges", "line_offsets"]

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class CoarseEdges:
    """Edges (n,) in px across from the centre, NaN where there is none."""

    first: Float
    second: Float


def line_offsets(across: Float, reach: float, apart: float) -> tuple[NDArray[np.intp], Float]:
    """Whole-pixel offsets (3, m, 2) of three lines across, and their true places (m,) across."""
    along = np.array([-across[1], across[0]])
    u = np.arange(-np.ceil(reach), np.ceil(reach) + 1)
    points = u[None, :, None] * across + np.array([-apart, 0, apart])[:, None, None] * along
    offset = np.rint(points).astype(np.intp)
    return offset, np.asarray((offset @ across).mean(axis=0))


def coarse_edges(
    light: Float32, centre: Float, across: Float, spacing: float, apart: float
) -> CoarseEdges:
    """Look at the openings at `centre` (n, 2) across wires `spacing` px apart.

    `apart` is the distance of the three lines, px. All their pixels must lie in `light` (h, w).
    """
    offset, u = line_offsets(across, 0.62 * spacing, apart)
    base = np.rint(centre).astype(np.intp)
    width = light.shape[1]
    flat = (base[:, 1] * width + base[:, 0])[:, None]
    pixels = light.ravel()
    profile = sum(
        pixels.take(flat + line[:, 1] * width + line[:, 0], mode="clip") for line in offset
    )
    profile = np.asarray(profile, np.float32) / np.float32(3)
    rest = (base - centre) @ across
    middle = len(u) // 2
    near = np.abs(u) < 0.15 * spacing
    zone = np.abs(np.abs(u) - 0.5 * spacing) < 0.12 * spacing + 0.5
    top, floor = profile[:, near].mean(axis=1), profile[:, zone].min(axis=1)
    half = 0.5 * (top + floor)
    second = _fall(profile[:, middle:], u[middle:], half) + rest
    first = rest - _fall(profile[:, middle::-1], -u[middle::-1], half)
    return CoarseEdges(first, second)


def _fall(profile: Float32, u: Float, half: Float32) -> Float:
    """Where the profile (n, m), read outward over `u` (m,), first falls through `half` (n,)."""
    below = profile < half[:, None]
    at = below.argmax(axis=1)
    found = below[np.arange(len(at)), at] & (at > 0)
    before = np.maximum(at - 1, 0)
    rows = np.arange(len(at))
    y0, y1 = profile[rows, before].astype(float), profile[rows, at].astype(float)
    part = (y0 - half) / np.where(y0 != y1, y0 - y1, 1)
    return np.where(found, u[before] + (u[at] - u[before]) * np.clip(part, 0, 1), np.nan)
