"""The parameters of one opening's edge model, by name.

Fits hold them as arrays (n, 8) with a row per opening and these columns; positions are px across
the wires from the opening's nominal centre, levels are linear light. The first edge is the left
or upper one. Functions here take such arrays and return one number (n,) per opening.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from sieve_inspect.arrays import Float, Index
from sieve_inspect.edges.profiles import Profiles


class Parameter(IntEnum):
    """Columns of a parameter array."""

    FLOOR = 0  # light of the wires
    AMPLITUDE = 1  # light of the opening above the floor
    AMPLITUDE_BEFORE = 2  # the same of the opening before (left or above) …
    AMPLITUDE_AFTER = 3  # … and of the opening after (right or below)
    EDGE_BEFORE = 4  # where the opening before ends
    FIRST_EDGE = 5  # where this opening begins …
    SECOND_EDGE = 6  # … and ends
    EDGE_AFTER = 7  # where the opening after begins


PARAMETERS = len(Parameter)
LEVELS = slice(Parameter.FLOOR, Parameter.EDGE_BEFORE)  # the columns that are light …
EDGES = slice(Parameter.EDGE_BEFORE, PARAMETERS)  # … and those that are px


def width_of(parameters: Float) -> Float:
    """Distance (n,) of the opening's two edges, px."""
    return np.asarray(parameters[:, Parameter.SECOND_EDGE] - parameters[:, Parameter.FIRST_EDGE])


def middle_of(parameters: Float) -> Float:
    """Middle (n,) between the opening's two edges, px across from its nominal centre."""
    edges = parameters[:, Parameter.FIRST_EDGE] + parameters[:, Parameter.SECOND_EDGE]
    return np.asarray(0.5 * edges)


def top_of(parameters: Float) -> Float:
    """Light (n,) of the opening itself: floor and amplitude together."""
    return np.asarray(parameters[:, Parameter.FLOOR] + parameters[:, Parameter.AMPLITUDE])


# Where the levels are read, as shares of the pitch from the opening's centre. Openings of woven
# cloth take 0.5 to 0.7 of the pitch, so the first zone is opening and the second holds a wire.
OPENING_ZONE = 0.15
WIRE_ZONE = 0.12  # to both sides of half a pitch …
WIRE_ZONE_PX = 0.5  # … and px, so that there is a bin in it where the pitch is a few px
_NEAR_FLOOR = 0.2  # share of the amplitude below half light from which a wire has been reached


def start_parameters(profiles: Profiles, pitch: float, wire: float | None = None) -> Float:
    """Starting values (n, 8) of all openings; see `Parameter`.

    `pitch` in px; `wire` px is the usual wire, by default what these profiles leave of the pitch.
    Rows without a crossing hold NaN.
    """
    u, y, w = profiles.distance, profiles.value, profiles.weight
    near = (np.abs(u) < OPENING_ZONE * pitch) & (w > 0)
    top = _weighted_mean(y, w * near)
    from_wire = np.abs(np.abs(u) - 0.5 * pitch)
    zone = (from_wire < WIRE_ZONE * pitch + WIRE_ZONE_PX) & (w > 0)
    floor = np.where(zone, y, np.inf).min(axis=1)
    floor = np.where(np.isfinite(floor), floor, np.nan)
    middle = y.shape[1] // 2
    right, beyond_right = _crossings(u[:, middle:], y[:, middle:], w[:, middle:], floor, top)
    back = slice(middle - 1, None, -1)
    left, beyond_left = _crossings(-u[:, back], y[:, back], w[:, back], floor, top)
    if wire is None:
        wire = pitch - np.nanmedian(right + left) if np.isfinite(right + left).any() else np.nan
    out = np.empty((len(u), PARAMETERS))
    out[:, Parameter.FLOOR] = floor
    out[:, Parameter.AMPLITUDE : Parameter.EDGE_BEFORE] = (top - floor)[:, None]
    out[:, Parameter.FIRST_EDGE], out[:, Parameter.SECOND_EDGE] = -left, right
    out[:, Parameter.EDGE_BEFORE] = -np.where(np.isfinite(beyond_left), beyond_left, left + wire)
    out[:, Parameter.EDGE_AFTER] = np.where(np.isfinite(beyond_right), beyond_right, right + wire)
    return out


def _weighted_mean(y: Float, w: Float) -> Float:
    total = w.sum(axis=1)
    return np.asarray((y * w).sum(axis=1) / np.where(total > 0, total, np.nan))


def _crossings(u: Float, y: Float, w: Float, floor: Float, top: Float) -> tuple[Float, Float]:
    """Going outward: where y first falls through half-way, and where it next rises through it.

    The rise counts only after y has been near the floor. NaN where there is none.
    """
    half = (0.5 * (floor + top))[:, None]
    bin_ = np.arange(u.shape[1])
    filled = w > 0
    below = (y < half) & filled
    fall = np.where(below.any(axis=1), below.argmax(axis=1), u.shape[1])
    deep = (y < half - _NEAR_FLOOR * (top - floor)[:, None]) & filled & (bin_ >= fall[:, None])
    bottom = np.where(deep.any(axis=1), deep.argmax(axis=1), u.shape[1])
    above = (y >= half) & filled & (bin_ > bottom[:, None])
    rise = np.where(above.any(axis=1), above.argmax(axis=1), u.shape[1])
    return _between(u, y, w, fall, half[:, 0]), _between(u, y, w, rise, half[:, 0])


def _between(u: Float, y: Float, w: Float, at: Index, level: Float) -> Float:
    """Where y passes `level` between bin `at` and the last filled bin before it; NaN if nowhere."""
    rows = np.arange(len(u))
    last = np.maximum.accumulate(np.where(w > 0, np.arange(u.shape[1]), -1), axis=1)
    here = np.minimum(at, u.shape[1] - 1)
    before = last[rows, np.maximum(here - 1, 0)]
    ok = (at < u.shape[1]) & (here > 0) & (before >= 0)
    before = np.maximum(before, 0)
    u0, u1, y0, y1 = u[rows, before], u[rows, here], y[rows, before], y[rows, here]
    span = np.where(y0 != y1, y1 - y0, 1)
    return np.where(ok, u0 + (u1 - u0) * np.clip((level - y0) / span, 0, 1), np.nan)
