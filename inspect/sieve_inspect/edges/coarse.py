"""Coarse edges of an opening, from three lines of nearest pixels across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Float32, Index

# A width beyond these shares of the usual width is not that of an opening between two wires: less
# than half of it is left, or the wire to the next opening is missing. No state changes with the
# lower limit from 0.2 to 0.56 and the upper from 1.53 on; see `apertures.states`.
WIDTH_RANGE = (0.4, 1.8)

_REACH = 0.62  # of the pitch to both sides: over the wire, into the next opening
# Where levels are read, as shares of the pitch from the centre; as in `starting_values`.
_OPENING_ZONE = 0.15
_WIRE_ZONE = 0.12
_WIRE_ZONE_PX = 0.5


@dataclass(frozen=True, eq=False)
class CoarseEdges:
    """Edges (n,) in px across from the centre, NaN where there is none."""

    first: Float
    second: Float


def line_offsets(across: Float, reach: float, apart: float) -> tuple[Index, Float]:
    """Whole-pixel offsets (3, m, 2) of three lines across, and their true places (m,) across."""
    along = np.array([-across[1], across[0]])
    u = np.arange(-np.ceil(reach), np.ceil(reach) + 1)
    points = u[None, :, None] * across + np.array([-apart, 0, apart])[:, None, None] * along
    offset = np.rint(points).astype(np.intp)
    return offset, np.asarray((offset @ across).mean(axis=0))


def coarse_edges(
    light: Float32, centre: Float, across: Float, spacing: float, apart: float
) -> CoarseEdges:
    """Edges of the openings at `centre` (n, 2) px, across wires `spacing` px apart.

    `across` (2,) is the unit vector across the wires, `apart` the distance of the three lines,
    px. All their pixels must lie in `light` (h, w).
    """
    offset, u = line_offsets(across, _REACH * spacing, apart)
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
    near = np.abs(u) < _OPENING_ZONE * spacing
    zone = np.abs(np.abs(u) - 0.5 * spacing) < _WIRE_ZONE * spacing + _WIRE_ZONE_PX
    top, floor = profile[:, near].mean(axis=1), profile[:, zone].min(axis=1)
    half = 0.5 * (top + floor)
    second = _fall(profile[:, middle:], u[middle:], half) + rest
    first = rest - _fall(profile[:, middle::-1], -u[middle::-1], half)
    return CoarseEdges(first, second)


def _fall(profile: Float32, u: Float, half: Float32) -> Float:
    """Where the profile (n, m), read outward over `u` (m,), first falls through `half` (n,)."""
    below = profile < half[:, None]
    at = below.argmax(axis=1)
    falls = below[np.arange(len(at)), at] & (at > 0)
    before = np.maximum(at - 1, 0)
    rows = np.arange(len(at))
    y0, y1 = profile[rows, before].astype(float), profile[rows, at].astype(float)
    part = (y0 - half) / np.where(y0 != y1, y0 - y1, 1)
    return np.where(falls, u[before] + (u[at] - u[before]) * np.clip(part, 0, 1), np.nan)
