"""Fitting the edges of every opening to its profile.

Near the middle of an opening the light is a sum of steps blurred by one common response F,

    I(u, v) = B + g(v) {A [F(u - e1) - F(u - e2)]
                        + Al [F(u - e0 + W) - F(u - e0)] + Ar [F(u - e3) - F(u - e3 - W)]},

with the opening's own edges e1 < e2, its neighbours' near edges e0 < e1 and e3 > e2, the usual
opening W, and g the little that the crossing wires' blur takes off. What is stored is I with its
noise, clipped to what the sensor can hold; where that happens the model is clipped likewise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import EdgeResponse

__all__ = [
    "PARAMETERS",
    "Clip",
    "EdgeFit",
    "LevelPrior",
    "Side",
    "fit_edges",
    "model_of",
    "normal_equations",
    "start_parameters",
    "step_limit",
    "stepped",
]

Float = NDArray[np.float64]

# Parameters of one opening, in this order.
_B, _A, _AL, _AR, _E0, _E1, _E2, _E3 = range(8)
PARAMETERS = 8


class Side:
    """Where an opening's own edges stand among its parameters."""

    FIRST = _E1
    SECOND = _E2


# A neighbour is as bright as the opening itself, unless the pixels say other: this many pixels
# are taken to have said so.
_NEIGHBOUR_LIKE = 0.05
_DARKEST = 0.02  # share of the amplitude a wire may seem darker than no light
_OUTLYING = 7.0  # robust standard deviations
_AT_ONCE = 12_000  # bins: what is made of them stays in the cache
_MODEL = 0.01  # share of the amplitude a sound opening may differ from the model


@dataclass(frozen=True)
class Clip:
    """The sensor's range in linear light, and the noise of a pixel before it is clipped."""

    low: float
    high: float
    noise: float

    def apply(self, model: Float, spread: Float) -> tuple[Float, Float]:
        """Expected mean of clipped pixels, and its slope by the mean of the unclipped ones.

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
    """What neighbours tell of an opening's levels: light is smooth over the field.

    `floor` and `amplitude` (n,) are expected, `strength` says as by how many pixels each is known.
    """

    floor: Float
    amplitude: Float
    strength: tuple[float, float]

    def take(self, which: NDArray[np.intp]) -> LevelPrior:
        """The levels of some of the openings."""
        return LevelPrior(self.floor[which], self.amplitude[which], self.strength)


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """Fitted parameters (n, 8) and what is known of their quality.

    `noise_factor` (n,) times the noise of one pixel is the standard deviation of the width;
    `misfit` (n,) is the noise one pixel would need to explain the residuals, in light, `peak`
    (n,) the largest residual as if it came from the noise of one pixel. `level_factor` (n, 2) is
    to floor and amplitude what `noise_factor` is to the width; `wire_seen` (n, 2) tells whether
    the far edges of the wires before and after lie among the pixels.
    """

    parameters: Float
    noise_factor: Float
    misfit: Float
    peak: Float
    level_factor: Float
    wire_seen: NDArray[np.bool_]

    @classmethod
    def blank(cls, count: int) -> EdgeFit:
        """Fits of nothing yet."""
        row = np.full(count, np.nan)
        seen = np.zeros((count, 2), np.bool_)
        parameters, level = np.full((count, PARAMETERS), np.nan), np.full((count, 2), np.nan)
        return cls(parameters, row, row, row, level, seen)

    def take(self, which: NDArray[np.intp]) -> EdgeFit:
        """The fits of some of the openings."""
        return EdgeFit(*(getattr(self, f.name)[which] for f in fields(self)))

    @staticmethod
    def joined(parts: Sequence[EdgeFit]) -> EdgeFit:
        """Several fits one after the other."""
        names = [f.name for f in fields(EdgeFit)]
        return EdgeFit(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))

    def with_wires_of(self, other: EdgeFit) -> EdgeFit:
        """This fit with the far edges of the wires from another that looked further."""
        parameters = self.parameters.copy()
        for k in (_E0, _E3):
            known = np.isfinite(other.parameters[:, k])
            parameters[known, k] = other.parameters[known, k]
        return replace(self, parameters=parameters, wire_seen=other.wire_seen)

    def replaced(self, which: NDArray[np.intp], by: EdgeFit) -> EdgeFit:
        """This fit with the rows `which` taken from another."""
        arrays = []
        for field in fields(self):
            mixed = getattr(self, field.name).copy()
            mixed[which] = getattr(by, field.name)
            arrays.append(mixed)
        return EdgeFit(*arrays)

    def overwrite(self, which: NDArray[np.intp], by: EdgeFit) -> None:
        """Take the rows `which` from another, in place: for fits too large to be held twice."""
        for field in fields(self):
            getattr(self, field.name)[which] = getattr(by, field.name)

    @property
    def limits(self) -> tuple[float, float]:
        """Misfit and peak far above what the bulk of the fits, with its spread, explains."""
        slack = _MODEL * float(np.nanmedian(self.amplitude)) if len(self.misfit) else 0.0
        return _limit(self.misfit, slack), _limit(self.peak, slack)

    def beyond(self, limits: tuple[float, float]) -> NDArray[np.bool_]:
        """Fits (n,) whose misfit or peak lies above these limits."""
        return np.asarray((self.misfit > limits[0]) | (self.peak > limits[1]))

    @property
    def poor(self) -> NDArray[np.bool_]:
        """Fits whose residuals stand out of the others'."""
        return self.beyond(self.limits)

    @property
    def width(self) -> Float:
        """Distance of the opening's two edges, px."""
        return np.asarray(self.parameters[:, _E2] - self.parameters[:, _E1])

    @property
    def middle(self) -> Float:
        """Where the opening's middle lies, px across from the profile's zero."""
        return np.asarray(0.5 * (self.parameters[:, _E2] + self.parameters[:, _E1]))

    @property
    def amplitude(self) -> Float:
        """Light of the opening over that of the wires."""
        return np.asarray(self.parameters[:, _A])

    @property
    def floor(self) -> Float:
        """Light of the wires."""
        return np.asarray(self.parameters[:, _B])

    @property
    def wires(self) -> Float:
        """Width (n, 2) of the wire before and after the opening, px; NaN where it is not seen."""
        p = self.parameters
        widths = np.stack([p[:, _E1] - p[:, _E0], p[:, _E3] - p[:, _E2]], axis=1)
        return np.where(self.wire_seen, widths, np.nan)


def _limit(value: Float, slack: float) -> float:
    middle = float(np.nanmedian(value)) if len(value) else 0.0
    spread = 1.4826 * float(np.nanmedian(np.abs(value - middle))) if len(value) else 0.0
    return middle + max(_OUTLYING * spread, 0.3 * middle, slack)


def start_parameters(profiles: Profiles, pitch: float, wire: float | None = None) -> Float:
    """First guess (n, 8): edges where the profile crosses half-way between opening and wire.

    `pitch` in px; `wire` px is the usual one, by default what these profiles leave of the pitch.
    Rows without a crossing hold NaN.
    """
    u, y, w = profiles.distance, profiles.value, profiles.weight
    near = (np.abs(u) < 0.15 * pitch) & (w > 0)
    top = _weighted_mean(y, w * near)
    zone = (np.abs(np.abs(u) - 0.5 * pitch) < 0.12 * pitch + 0.5) & (w > 0)
    floor = np.where(zone, y, np.inf).min(axis=1)
    floor = np.where(np.isfinite(floor), floor, np.nan)
    middle = y.shape[1] // 2
    right, beyond_right = _crossings(u[:, middle:], y[:, middle:], w[:, middle:], floor, top)
    back = slice(middle - 1, None, -1)
    left, beyond_left = _crossings(-u[:, back], y[:, back], w[:, back], floor, top)
    if wire is None:
        wire = pitch - np.nanmedian(right + left) if np.isfinite(right + left).any() else np.nan
    out = np.empty((len(u), PARAMETERS))
    out[:, _B] = floor
    out[:, _A] = out[:, _AL] = out[:, _AR] = top - floor
    out[:, _E1], out[:, _E2] = -left, right
    out[:, _E0] = -np.where(np.isfinite(beyond_left), beyond_left, left + wire)
    out[:, _E3] = np.where(np.isfinite(beyond_right), beyond_right, right + wire)
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
    deep = (y < half - 0.2 * (top - floor)[:, None]) & filled & (bin_ >= fall[:, None])
    bottom = np.where(deep.any(axis=1), deep.argmax(axis=1), u.shape[1])
    above = (y >= half) & filled & (bin_ > bottom[:, None])
    rise = np.where(above.any(axis=1), above.argmax(axis=1), u.shape[1])
    return _between(u, y, w, fall, half[:, 0]), _between(u, y, w, rise, half[:, 0])


def _between(u: Float, y: Float, w: Float, at: NDArray[np.intp], level: Float) -> Float:
    """Where y passes `level` between bin `at` and the last filled one before it; NaN if nowhere."""
    rows = np.arange(len(u))
    last = np.maximum.accumulate(np.where(w > 0, np.arange(u.shape[1]), -1), axis=1)
    here = np.minimum(at, u.shape[1] - 1)
    before = last[rows, np.maximum(here - 1, 0)]
    ok = (at < u.shape[1]) & (here > 0) & (before >= 0)
    before = np.maximum(before, 0)
    u0, u1, y0, y1 = u[rows, before], u[rows, here], y[rows, before], y[rows, here]
    span = np.where(y0 != y1, y1 - y0, 1)
    return np.where(ok, u0 + (u1 - u0) * np.clip((level - y0) / span, 0, 1), np.nan)


def model_of(
    profiles: Profiles, p: Float, response: EdgeResponse, clip: Clip | None = None
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
    model = np.matmul(p[:, None, :_E0], jacobian[:, :_E0])[:, 0]
    if clip is None:
        return model, jacobian, None
    steepness = jacobian[:, _E0:].sum(axis=1)  # within a bin the light rises or falls
    model, left = clip.apply(model, steepness * (profiles.step / np.sqrt(12)))
    jacobian *= left[:, None]
    return model, jacobian, left


def normal_equations(
    jacobian: Float, weight: Float, misfit: Float, p: Float, prior: LevelPrior | None = None
) -> tuple[Float, Float]:
    """Normal matrices (n, 8, 8) and right sides (n, 8), with the weak priors that keep them whole.

    A neighbour cut off by the border, or blocked, has no pixels to tell its own edge or level;
    the priors hold those at the guess and touch nothing the pixels do tell.
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
    matrix[:, diagonal[:_E0], diagonal[:_E0]] += 1e-6
    matrix[:, diagonal[_E0:], diagonal[_E0:]] += 1e-4 * amplitude[:, None] ** 2
    return matrix, right


def stepped(p: Float, step: NDArray[np.floating], limit: float) -> Float:
    """Parameters (n, 8) after a step: bounded in length, and no light is negative.

    Edges move no further than `limit` px, levels by no more than a third. A thin blurred wire
    would else be traded for a thinner one darker than dark.
    """
    out = p.copy()
    third = np.abs(p[:, _A, None]) / 3
    out[:, :_E0] += np.clip(step[:, :_E0], -third, third)
    out[:, _E0:] += np.clip(step[:, _E0:], -limit, limit)
    out[:, _B] = np.maximum(out[:, _B], -_DARKEST * np.abs(out[:, _A]))
    return out


def step_limit(response: EdgeResponse) -> float:
    """How far an edge may move in one step, px: beyond it the linearisation means nothing."""
    return 0.5 * response.sigma + 0.5


def fit_edges(
    profiles: Profiles,
    start: Float,
    response: EdgeResponse,
    prior: LevelPrior | None = None,
    clip: Clip | None = None,
    rounds: int = 3,
) -> EdgeFit:
    """Fit every opening by Gauss-Newton steps; rows whose start is NaN stay NaN."""
    count = len(start)
    parameters = np.full_like(start, np.nan)
    factor, misfit, peak = (np.full(count, np.nan) for _ in range(3))
    level = np.full((count, 2), np.nan)
    seen = np.zeros((count, 2), np.bool_)
    which = np.flatnonzero(np.isfinite(start).all(axis=1))
    parts = max(1, which.size * profiles.value.shape[1] // _AT_ONCE)
    for part in np.array_split(which, parts):
        known = prior.take(part) if prior is not None else None
        chosen = profiles.take(part)
        p, factors, left = _fit_part(chosen, start[part], response, known, clip, rounds)
        parameters[part] = p
        factor[part], level[part] = factors[:, 0], factors[:, 1:]
        filled = chosen.weight > 0
        lowest = np.where(filled, chosen.distance, np.inf).min(axis=1)
        highest = np.where(filled, chosen.distance, -np.inf).max(axis=1)
        seen[part] = np.stack([lowest < p[:, _E0], highest > p[:, _E3]], axis=1)
        square = chosen.weight * left**2
        freedom = np.maximum((chosen.weight > 0).sum(axis=1) - PARAMETERS, 1)
        misfit[part] = np.sqrt(square.sum(axis=1) / freedom)
        peak[part] = np.sqrt(square.max(axis=1))
    return EdgeFit(parameters, factor, misfit, peak, level, seen)


def _fit_part(
    profiles: Profiles,
    start: Float,
    response: EdgeResponse,
    prior: LevelPrior | None,
    clip: Clip | None,
    rounds: int,
) -> tuple[Float, Float, Float]:
    """Parameters (n, 8), standard deviations (n, 3) of width, floor, amplitude; residuals."""
    y, w = profiles.value, profiles.weight
    p = start.copy()
    limit = step_limit(response)
    for _ in range(rounds):
        model, jacobian, _ = model_of(profiles, p, response, clip)
        matrix, right = normal_equations(jacobian, w, y - model, p, prior)
        before = p
        step = np.linalg.solve(matrix, right[..., None])[..., 0]
        p = stepped(p, step, limit)
    wanted = np.zeros((PARAMETERS, 3))  # width, floor, amplitude
    wanted[[_E1, _E2], 0] = -1, 1
    wanted[_B, 1] = wanted[_A, 2] = 1
    variance = (wanted * np.linalg.solve(matrix, wanted[None])).sum(axis=1)
    # After the last step the residual follows from the last linearisation.
    left = y - model - np.matmul((p - before)[:, None], jacobian)[:, 0]
    return p, np.sqrt(variance), left
