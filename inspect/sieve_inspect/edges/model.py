"""The light across an opening as a function of its edges, and its normal equations.

Near the middle of an opening the light is a sum of steps blurred by one common edge response F,

    I(u, v) = B + g(v) {A [F(u - e1) - F(u - e2)]
                        + Al [F(u - e0 + W) - F(u - e0)] + Ar [F(u - e3) - F(u - e3 - W)]},

with the opening's own edges e1 < e2, its neighbours' near edges e0 < e1 and e3 > e2, the usual
opening W, and g the little that the crossing wires' blur takes off. What is stored is I with its
noise, clipped to the range of the sensor; where that happens the model is clipped likewise.
`parameters` names B, A, Al, Ar, e0 … e3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Index
from sieve_inspect.edges.parameters import EDGES, LEVELS, PARAMETERS, Parameter
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import EdgeResponse

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
        from scipy.special import ndtr

        noise = np.hypot(self.noise, spread)
        a, b = (self.low - model) / noise, (self.high - model) / noise
        below, above = ndtr(a), ndtr(-b)
        slope = 1 - below - above
        bump = (np.exp(-0.5 * a * a) - np.exp(-0.5 * b * b)) / np.sqrt(2 * np.pi)
        value = self.low * below + self.high * above + model * slope + noise * bump
        return np.asarray(value), np.asarray(slope)


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
    column = [p[:, k, None] for k in range(PARAMETERS)]
    (f0, s0), (f1, s1), (f2, s2), (f3, s3) = (response(u - column[e]) for e in (_E0, _E1, _E2, _E3))
    far_left = response.rise(u - column[_E0] + profiles.beyond)
    far_right = response.rise(u - column[_E3] - profiles.beyond)
    jacobian = np.empty((len(u), PARAMETERS, u.shape[1]))
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
