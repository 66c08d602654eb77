"""How an edge of wire looks in this picture: the edge response, and fits that use it.

Near the middle of an opening the light is a sum of steps blurred by one common response F,

    I(u, v) = B + g(v) {A [F(u - e1) - F(u - e2)]
                        + Al [F(u - e0 + W) - F(u - e0)] + Ar [F(u - e3) - F(u - e3 - W)]},

with W the usual opening, g the little the crossing wires' blur takes off, the opening's own edges e1 < e2 and its
neighbours' near edges e0 < e1, e3 > e2. F rises from 0 to 1. A blur that is lopsided moves both
edges of an opening the same way, so widths do not depend on where F is said to have its middle.

F itself is a Gaussian step plus a sum of small, smooth corrections whose sizes are fitted to
many openings at once, every opening having its own edges and levels (the shared part of the
normal equations is what remains after these are eliminated, Schur's complement). Corrections
the picture cannot determine stay near zero by their prior, and what they leave open is returned
as an uncertainty common to all widths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.profiles import Profiles

__all__ = [
    "EdgeFit",
    "EdgeResponse",
    "fit_edges",
    "fit_response",
    "fit_sigma",
    "gaussian_response",
    "start_parameters",
]

Float = NDArray[np.float64]

# Local parameters of one opening, in this order.
_B, _A, _AL, _AR, _E0, _E1, _E2, _E3 = range(8)
_PARAMETERS = 8
# A neighbour is as bright as the opening itself, unless the pixels say other: this many pixels
# are taken to have said so.
_NEIGHBOUR_LIKE = 0.05
_OUTLYING = 7.0  # robust standard deviations
_MODEL = 0.01  # share of the amplitude a sound opening may differ from the model


@dataclass(frozen=True, eq=False)
class EdgeResponse:
    """F and its slope tabulated on a regular grid; constant outside it."""

    start: float
    step: float
    value: Float
    slope: Float
    sigma: float  # px, of the Gaussian that fits best

    def __call__(self, u: Float) -> tuple[Float, Float]:
        """F(u) and dF/du, by linear interpolation."""
        position = (u - self.start) / self.step
        np.clip(position, 0, len(self.value) - 1.001, out=position)
        index = position.astype(np.intp)
        part = position - index
        value, slope = self.value, self.slope
        low, low_slope = value[index], slope[index]
        return low + part * (value[index + 1] - low), low_slope + part * (
            slope[index + 1] - low_slope
        )


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """Fitted parameters (n, 8) and what is known of their quality.

    `noise_factor` (n,) times the noise of one pixel is the standard deviation of the width;
    `misfit` (n,) is the noise one pixel would need to explain the residuals, in light, `peak`
    (n,) the largest residual as if it came from the noise of one pixel.
    """

    parameters: Float
    noise_factor: Float
    misfit: Float
    peak: Float

    def replaced(self, which: NDArray[np.intp], by: EdgeFit) -> EdgeFit:
        """This fit with the rows `which` taken from another."""
        arrays = []
        for mine, other in (
            (self.parameters, by.parameters),
            (self.noise_factor, by.noise_factor),
            (self.misfit, by.misfit),
            (self.peak, by.peak),
        ):
            mixed = mine.copy()
            mixed[which] = other
            arrays.append(mixed)
        return EdgeFit(*arrays)

    @property
    def poor(self) -> NDArray[np.bool_]:
        """Fits whose residuals stand far above what the bulk of them, with its spread, explains."""
        slack = _MODEL * np.nanmedian(self.amplitude) if len(self.misfit) else 0.0
        return _outlying(self.misfit, slack) | _outlying(self.peak, slack)

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
        """Width (n, 2) of the wire before and after the opening, px."""
        p = self.parameters
        return np.stack([p[:, _E1] - p[:, _E0], p[:, _E3] - p[:, _E2]], axis=1)


def _outlying(value: Float, slack: float) -> NDArray[np.bool_]:
    middle = np.nanmedian(value)
    spread = 1.4826 * np.nanmedian(np.abs(value - middle))
    return np.asarray(value > middle + max(_OUTLYING * spread, 0.3 * middle, slack))


def _phi(z: Float) -> Float:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def _cdf(z: Float) -> Float:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def gaussian_response(sigma: float) -> EdgeResponse:
    """A Gaussian step of `sigma` px."""
    return _tabulate(sigma, np.zeros(0), _Basis(sigma, np.zeros(0), np.zeros(0)))


@dataclass(frozen=True, eq=False)
class _Basis:
    """Corrections: steps of width `spread` at `place` minus the Gaussian step of `sigma`."""

    sigma: float
    place: Float
    spread: Float

    def __call__(self, u: Float) -> Float:
        """Values (..., k) at u (...)."""
        z = (u[..., None] - self.place) / self.spread
        return _cdf(z) - _cdf(u / self.sigma)[..., None]

    def slopes(self, u: Float) -> Float:
        z = (u[..., None] - self.place) / self.spread
        return _phi(z) / self.spread - (_phi(u / self.sigma) / self.sigma)[..., None]


def _basis(sigma: float) -> tuple[_Basis, Float]:
    """Corrections for a blur of about `sigma` px and the prior standard deviation of their size.

    Narrow bumps half a sigma apart shape the core; two wide symmetric ones carry glare.
    """
    place = 0.5 * sigma * np.arange(-7, 8)
    narrow = np.full(len(place), 0.5 * sigma)
    wide = sigma * np.array([2.5, 5.0])
    prior = 0.03 + 0.15 * np.exp(-0.5 * (place / (1.5 * sigma)) ** 2)
    return (
        _Basis(sigma, np.append(place, [0.0, 0.0]), np.append(narrow, wide)),
        np.append(prior, [0.1, 0.1]),
    )


def _tabulate(sigma: float, size: Float, basis: _Basis) -> EdgeResponse:
    reach = 6 * sigma if not len(size) else 16 * sigma
    step = sigma / 32
    u = np.arange(-reach, reach + step, step)
    value = _cdf(u / sigma)
    slope = _phi(u / sigma) / sigma
    if len(size):
        value = value + basis(u) @ size
        slope = slope + basis.slopes(u) @ size
    return EdgeResponse(-reach, step, value, slope, sigma)


def start_parameters(profiles: Profiles, pitch: float) -> Float:
    """First guess (n, 8): edges where the profile crosses half-way between opening and wire.

    `pitch` in px. Rows without a crossing hold NaN.
    """
    u, y, w = profiles.distance, profiles.value, profiles.weight
    near = (np.abs(u) < 0.15 * pitch) & (w > 0)
    top = _weighted_mean(y, w * near)
    zone = (np.abs(np.abs(u) - 0.5 * pitch) < 0.12 * pitch + 0.5) & (w > 0)
    floor = np.where(zone, y, np.inf).min(axis=1)
    floor = np.where(np.isfinite(floor), floor, np.nan)
    half = 0.5 * (top + floor)
    middle = y.shape[1] // 2
    right = _crossing(u[:, middle:], y[:, middle:], w[:, middle:], half)
    left = -_crossing(-u[:, middle - 1 :: -1], y[:, middle - 1 :: -1], w[:, middle - 1 :: -1], half)
    wire = pitch - np.nanmedian(right - left) if np.isfinite(right - left).any() else np.nan
    out = np.empty((len(u), _PARAMETERS))
    out[:, _B] = floor
    out[:, _A] = out[:, _AL] = out[:, _AR] = top - floor
    out[:, _E1], out[:, _E2] = left, right
    out[:, _E0], out[:, _E3] = left - wire, right + wire
    return out


def _weighted_mean(y: Float, w: Float) -> Float:
    total = w.sum(axis=1)
    return np.asarray((y * w).sum(axis=1) / np.where(total > 0, total, np.nan))


def _crossing(u: Float, y: Float, w: Float, level: Float) -> Float:
    """First place, going outward, where y falls through level; NaN where it never does."""
    below = (y < level[:, None]) & (w > 0)
    first = below.argmax(axis=1)
    rows = np.arange(len(u))
    # The bin before, stepping over empty bins.
    filled = np.where(w > 0, np.arange(u.shape[1]), -1)
    last = np.maximum.accumulate(filled, axis=1)
    before = last[rows, np.maximum(first - 1, 0)]
    ok = below.any(axis=1) & (first > 0) & (before >= 0)
    before = np.maximum(before, 0)
    u0, u1, y0, y1 = u[rows, before], u[rows, first], y[rows, before], y[rows, first]
    drop = np.where(y0 > y1, y0 - y1, 1)
    return np.where(ok, u0 + (u1 - u0) * np.clip((y0 - level) / drop, 0, 1), np.nan)


def _model(profiles: Profiles, p: Float, response: EdgeResponse) -> tuple[Float, Float]:
    """Model (n, bins) and its derivatives (n, bins, 8)."""
    u, gain = profiles.distance, profiles.gain
    column = [p[:, k, None] for k in range(_PARAMETERS)]
    (f0, s0), (f1, s1), (f2, s2), (f3, s3) = (response(u - column[e]) for e in (_E0, _E1, _E2, _E3))
    far_left, _ = response(u - column[_E0] + profiles.beyond)
    far_right, _ = response(u - column[_E3] - profiles.beyond)
    jacobian = np.empty((*u.shape, _PARAMETERS))
    jacobian[..., _B] = 1
    jacobian[..., _A] = gain * (f1 - f2)
    jacobian[..., _AL] = gain * (far_left - f0)
    jacobian[..., _AR] = gain * (f3 - far_right)
    jacobian[..., _E0] = column[_AL] * gain * s0
    jacobian[..., _E1] = -column[_A] * gain * s1
    jacobian[..., _E2] = column[_A] * gain * s2
    jacobian[..., _E3] = -column[_AR] * gain * s3
    model = (
        column[_B]
        + column[_A] * jacobian[..., _A]
        + column[_AL] * jacobian[..., _AL]
        + column[_AR] * jacobian[..., _AR]
    )
    return model, jacobian


def _normal(jacobian: Float, weight: Float, misfit: Float, p: Float) -> tuple[Float, Float]:
    """Normal matrices (n, 8, 8) and right sides (n, 8), with the weak priors that keep them whole.

    A neighbour cut off by the border, or blocked, has no pixels to tell its own edge or level;
    the priors hold those at the guess and touch nothing the pixels do tell.
    """
    weighted = jacobian * weight[..., None]
    matrix = np.matmul(weighted.transpose(0, 2, 1), jacobian)
    right = np.matmul(weighted.transpose(0, 2, 1), misfit[..., None])[..., 0]
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
    diagonal = np.arange(_PARAMETERS)
    matrix[:, diagonal[:_E0], diagonal[:_E0]] += 1e-6
    matrix[:, diagonal[_E0:], diagonal[_E0:]] += 1e-4 * amplitude[:, None] ** 2
    return matrix, right


def fit_edges(profiles: Profiles, start: Float, response: EdgeResponse, rounds: int = 3) -> EdgeFit:
    """Fit every opening by Gauss-Newton steps; rows whose start is NaN stay NaN."""
    parameters = np.full_like(start, np.nan)
    factor, misfit, peak = (np.full(len(start), np.nan) for _ in range(3))
    which = np.flatnonzero(np.isfinite(start).all(axis=1))
    for part in np.array_split(which, max(1, len(which) // 500)):  # stays in the cache
        parameters[part], factor[part], misfit[part], peak[part] = _fit_part(
            profiles.take(part), start[part], response, rounds
        )
    return EdgeFit(parameters, factor, misfit, peak)


def _fit_part(
    profiles: Profiles, start: Float, response: EdgeResponse, rounds: int
) -> tuple[Float, Float, Float, Float]:
    y, w = profiles.value, profiles.weight
    p = start.copy()
    limit = 0.5 * response.sigma + 0.5
    for _ in range(rounds):
        model, jacobian = _model(profiles, p, response)
        matrix, right = _normal(jacobian, w, y - model, p)
        step = np.linalg.solve(matrix, right[..., None])[..., 0]
        step[:, _E0:] = np.clip(step[:, _E0:], -limit, limit)
        p += step
    contrast = np.zeros((_PARAMETERS, 1))
    contrast[_E1], contrast[_E2] = -1, 1
    variance = (contrast.T @ np.linalg.solve(matrix, contrast[None]))[:, 0, 0]
    # After the last step the misfit follows from the last linearisation.
    left = y - model - np.matmul(jacobian, step[..., None])[..., 0]
    freedom = np.maximum((w > 0).sum(axis=1) - _PARAMETERS, 1)
    square = w * left**2
    return p, np.sqrt(variance), np.sqrt(square.sum(axis=1) / freedom), np.sqrt(square.max(axis=1))


def fit_sigma(profiles: Profiles, start: Float, sigma: float, rounds: int) -> tuple[float, Float]:
    """The blur of the edges as a Gaussian sigma (px), and the parameters (n, 8) that go with it."""
    p = start
    for _ in range(rounds):
        p, sigma = _scale_step(profiles, p, gaussian_response(sigma))
    return sigma, p


def fit_response(
    profiles: Profiles, start: Float, sigma: float, rounds: int = 4
) -> tuple[EdgeResponse, float]:
    """Fit the edge response to some hundred openings; `sigma` (px) is a good first guess.

    Also returns the standard uncertainty (px) common to all widths from what the pixels leave
    open about the shape.
    """
    sigma, p = fit_sigma(profiles, start, sigma, 3)
    basis, prior = _basis(sigma)
    u = _grid(sigma)
    table = _Table(u[0], u[1] - u[0], basis(u).astype(np.float32))
    size = np.zeros(len(prior))
    common = 0.0
    for _ in range(rounds):
        response = _tabulate(sigma, size, basis)
        shape = _shape(profiles, p, table)
        p, change, common = _shared_step(profiles, p, response, shape, prior, size)
        size = size + change
    return _tabulate(sigma, size, basis), common


def _shared_step(
    profiles: Profiles, p: Float, response: EdgeResponse, shape: Float, prior: Float, size: Float
) -> tuple[Float, Float, float]:
    """One Gauss-Newton step in local and shared parameters together.

    `shape` (n, bins, k) are the derivatives by the shared parameters. Returns the local
    parameters, the change of the shared ones, and the standard uncertainty of the mean width
    that the shared ones cause.
    """
    y, w = profiles.value, profiles.weight
    model, jacobian = _model(profiles, p, response)
    misfit = y - model
    matrix, right = _normal(jacobian, w, misfit, p)
    weighted = shape * w[..., None]
    cross = np.matmul(jacobian.transpose(0, 2, 1), weighted)  # (n, 8, k)
    both = np.linalg.solve(matrix, np.concatenate([cross, right[..., None]], axis=2))
    noise = float(np.sum(w * misfit**2) / np.count_nonzero(w)) + 1e-12  # of one pixel, squared
    total = np.einsum("nbk,nbl->kl", weighted, shape) - np.einsum(
        "npk,npl->kl", cross, both[..., :-1]
    )
    side = np.einsum("nbk,nb->k", weighted, misfit) - np.einsum("npk,np->k", cross, both[..., -1])
    total[np.diag_indices_from(total)] += noise / prior**2
    change = np.linalg.solve(total, side - noise * size / prior**2)
    local = both[..., -1] - both[..., :-1] @ change
    limit = 0.5 * response.sigma + 0.5
    local[:, _E0:] = np.clip(local[:, _E0:], -limit, limit)
    lever = (both[:, _E2, :-1] - both[:, _E1, :-1]).mean(axis=0)
    common = float(np.sqrt(noise * lever @ np.linalg.solve(total, lever)))
    return p + local, change, common


def _shape(profiles: Profiles, p: Float, table: _Table) -> Float:
    """Derivatives (n, bins, k) of the model by the k shared parameters."""
    u = profiles.distance
    at = {e: table(u - p[:, e, None]) for e in (_E0, _E1, _E2, _E3)}
    level = {k: (p[:, k, None] * profiles.gain)[..., None] for k in (_A, _AL, _AR)}
    out = level[_A] * (at[_E1] - at[_E2])
    out += level[_AL] * (table(u - p[:, _E0, None] + profiles.beyond) - at[_E0])
    out += level[_AR] * (at[_E3] - table(u - p[:, _E3, None] - profiles.beyond))
    return np.asarray(out)


@dataclass(frozen=True, eq=False)
class _Table:
    """Functions (m, k) on a regular grid, looked up at the nearest point: enough for slopes."""

    start: float
    step: float
    rows: NDArray[np.float32]

    def __call__(self, u: Float) -> NDArray[np.float32]:
        index = np.rint((u - self.start) / self.step)
        np.clip(index, 0, len(self.rows) - 1, out=index)
        return self.rows[index.astype(np.intp)]


def _grid(sigma: float) -> Float:
    return np.arange(-16 * sigma, 16 * sigma, sigma / 32)


def _scale_step(profiles: Profiles, p: Float, response: EdgeResponse) -> tuple[Float, float]:
    sigma = response.sigma
    u = _grid(sigma)
    widening = _Table(u[0], u[1] - u[0], (-u / sigma * _phi(u / sigma))[:, None].astype(np.float32))
    shape = _shape(profiles, p, widening)
    p, change, _ = _shared_step(profiles, p, response, shape, np.array([10.0]), np.zeros(1))
    return p, max(0.2, sigma * float(np.exp(np.clip(change[0], -0.5, 0.5))))
