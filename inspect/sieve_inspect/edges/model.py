"""The light across an opening as a function of its edges, and its normal equations.

Near the middle of an opening the light is a sum of steps blurred by one common edge response F,

    I(u, v) = B + g(v) {A [F(u - e1) - F(u - e2)]
                        + Al [F(u - e0 + W) - F(u - e0)] + Ar [F(u - e3) - F(u - e3 - W)]},

with the opening's own edges e1 < e2, its neighbours' near edges e0 < e1 and e3 > e2, the usual
opening W, and g the little that the crossing wires' blur takes off. What is stored is I with its
noise, clipped to the range of the sensor; where that happens the model is clipped likewise. Fits
hold the parameters as arrays (n, 8) with a row per opening; positions are px across the wires from
the opening's nominal centre, levels are linear light. The first edge is the left or upper edge.
`Parameter` names B, A, Al, Ar, e0 … e3.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Index
from sieve_inspect.edges.normal import above_zero
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import EdgeResponse


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


_B, _A, _AL, _AR, _E0, _E1, _E2, _E3 = Parameter  # as in the formula above

# A neighbour is as bright as the opening itself unless its pixels contradict: this assumption
# weighs as much as so many pixels.
_NEIGHBOUR_LIKE = 0.05
_DARKEST = 0.02  # share of the amplitude by which a wire may seem darker than no light
# Ridge terms, far below one pixel's worth: a parameter without pixels keeps its starting value.
_RIDGE_LEVEL = 1e-6
_RIDGE_EDGE = 1e-4  # times the squared amplitude


@dataclass(frozen=True)
class SensorRange:
    """The sensor's range in linear light, and the noise of a pixel before it is clipped."""

    low: float
    high: float
    noise: float

    def apply(self, model: Float, spread: Float) -> tuple[Float, Float]:
        """Expected mean of clipped pixels, and its slope by the mean of the unclipped pixels.

        `spread` is the standard deviation of the pixels of a bin before noise. For a normal
        variable censored at both ends (Tobin, Econometrica 26, 1958).
        """
        noise = np.sqrt(spread * spread + self.noise**2)
        # Clipped is what is above the lower end, less what is above the upper end.
        above, slope = above_zero((model - self.low) / noise)
        over, lost = above_zero((model - self.high) / noise)
        above -= over
        above *= noise
        above += self.low
        slope -= lost
        return above, slope


@dataclass(frozen=True, eq=False)
class LevelPrior:
    """Levels expected of n openings from their neighbours: light is smooth over the field.

    `floor` and `amplitude` (n,) are expected in linear light; `strength` is the number of pixels
    that each expectation is worth.
    """

    floor: Float
    amplitude: Float
    strength: tuple[float, float]

    def take(self, which: Index) -> LevelPrior:
        """The levels of some of the openings."""
        return LevelPrior(self.floor[which], self.amplitude[which], self.strength)


def model_of(
    profiles: Profiles, p: Float, response: EdgeResponse, clip: SensorRange | None = None
) -> tuple[Float, Float, Float | None]:
    """Model (n, bins), its derivatives (n, 8, bins), and what clipping leaves of any slope."""
    u, gain = profiles.distance, profiles.gain
    p = p.astype(u.dtype)
    column = [p[:, k, None] for k in range(PARAMETERS)]
    (f0, s0), (f1, s1), (f2, s2), (f3, s3) = (response(u - column[e]) for e in (_E0, _E1, _E2, _E3))
    far_left = response.rise(u - column[_E0] + profiles.beyond)
    far_right = response.rise(u - column[_E3] - profiles.beyond)
    jacobian = np.empty((len(u), PARAMETERS, u.shape[1]), u.dtype)
    jacobian[:, _B] = 1
    for k, light in ((_A, f1 - f2), (_AL, far_left - f0), (_AR, f3 - far_right)):
        np.multiply(gain, light, out=jacobian[:, k])
    slopes = ((_E0, column[_AL], s0), (_E1, -column[_A], s1))
    for k, level, slope in (*slopes, (_E2, column[_A], s2), (_E3, -column[_AR], s3)):
        np.multiply(level * gain, slope, out=jacobian[:, k])
    model = np.matmul(p[:, None, LEVELS], jacobian[:, LEVELS])[:, 0]
    if clip is None:
        return model, jacobian, None
    steepness = jacobian[:, EDGES].sum(axis=1)  # within a bin the light rises or falls
    model, left = clip.apply(model, steepness * (profiles.step / np.sqrt(12)))
    jacobian *= left[:, None]
    return model, jacobian, left


def normal_equations(
    jacobian: Float, weight: Float, misfit: Float, p: Float, prior: LevelPrior | None = None
) -> tuple[Float, Float]:
    """Normal matrices (n, 8, 8) and right sides (n, 8), with weak priors against singularity.

    A neighbour cut off by the border, or blocked, has no pixels that show its edge or level; the
    priors hold those at their starting values and change nothing that pixels determine.
    """
    jacobian = np.asarray(jacobian, float)  # the ridge is lost in sums of seven digits
    weighted = jacobian * weight[:, None]
    matrix = np.matmul(weighted, jacobian.transpose(0, 2, 1))
    right = np.matmul(weighted, misfit[..., None])[..., 0]
    amplitude = np.maximum(np.abs(p[:, _A]), 1e-6)
    for level in (_AL, _AR):
        strength = _NEIGHBOUR_LIKE
        gap = p[:, level] - p[:, _A]
        matrix[:, level, level] += strength
        matrix[:, _A, _A] += strength
        matrix[:, level, _A] -= strength
        matrix[:, _A, level] -= strength
        right[:, level] -= strength * gap
        right[:, _A] += strength * gap
    if prior is not None:
        for k, expected in ((_B, prior.floor), (_A, prior.amplitude)):
            strength = prior.strength[k]
            matrix[:, k, k] += strength
            right[:, k] += strength * (expected - p[:, k])
    diagonal = np.arange(PARAMETERS)
    matrix[:, diagonal[LEVELS], diagonal[LEVELS]] += _RIDGE_LEVEL
    matrix[:, diagonal[EDGES], diagonal[EDGES]] += _RIDGE_EDGE * amplitude[:, None] ** 2
    return matrix, right


def stepped(p: Float, step: NDArray[np.floating], limit: float) -> Float:
    """Parameters (n, 8) after a step that is bounded in length; no light becomes negative.

    Edges move no further than `limit` px, levels by no more than a third of the amplitude.
    Without a bound a thin blurred wire would be exchanged for a thinner wire of negative light.
    """
    out = p.copy()
    third = np.abs(p[:, _A, None]) / 3
    out[:, LEVELS] += np.clip(step[:, LEVELS], -third, third)
    out[:, EDGES] += np.clip(step[:, EDGES], -limit, limit)
    out[:, _B] = np.maximum(out[:, _B], -_DARKEST * np.abs(out[:, _A]))
    return out


def step_limit(response: EdgeResponse) -> float:
    """How far an edge may move in one step, px: beyond it the linearisation is meaningless."""
    return 0.5 * response.sigma + 0.5
