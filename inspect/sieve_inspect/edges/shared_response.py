"""Fitting the edge response, which all openings share.

Every opening has its own edges and levels; the blur is common to all. Both are fitted together:
the openings' own parameters are eliminated from the normal equations, which leaves Schur's
complement for the shared parameters. Corrections to the shape that the pixels cannot determine
stay near zero by their prior; their remaining uncertainty is common to all widths.
"""

from __future__ import annotations

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.edges.fit import fit_edges
from sieve_inspect.edges.model import (
    PARAMETERS,
    LevelPrior,
    Parameter,
    SensorRange,
    model_of,
    normal_equations,
    step_limit,
    stepped,
)
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import (
    SHAPES,
    EdgeResponse,
    Table,
    corrections_for,
    gaussian_response,
    shaped_response,
    widening,
)

_B, _A, _AL, _AR, _E0, _E1, _E2, _E3 = Parameter  # as in `model`
_FINEST = 0.2  # px; the width of a pixel alone blurs more than this
# px, so near to each other that steps from the best of them settle
_SIGMAS = (0.4, 0.65, 1.05, 1.7, 2.7, 4.4, 7.0, 11.0)
_SAME_MISFIT = 1.1  # ratio of the squared misfits up to which they count as the same
_NEAR, _FAR = 0.02, 0.2  # of sigma, the next step: settled, and far from it
_SETTLED = 1e-4  # of sigma; the next step would be of the order of its square
_AT_ONCE = 60_000  # derivatives of bins evaluated together: they stay in the cache
_TRIED = 20  # openings on which blurs are tried
_FURTHER = 1  # steps from settled parameters where each opening shows its levels
_SHAPE_SETTLED = 0.003  # of the misfit: steps in the shape that change it less only wander
# Times the misfit of a Gaussian at 0.9 of its width, from which no width of a shape is better: on
# drawn scans with openings of 5 to 8 px those that were better were at most 4.8 there.
_FAR_WORSE = 8.0
_SHAPE_TRUST = 0.15  # share of the change by the corrections of the shape that stays in doubt


class _Openings:
    """Some hundred openings and the present estimate of their parameters `p` (n, 8)."""

    def __init__(
        self, profiles: Profiles, p: Float, prior: LevelPrior | None, clip: SensorRange | None
    ) -> None:
        self.profiles = profiles
        self.p = p
        self.prior = prior
        self.clip = clip
        self.u_width = 0.0
        self.cost = np.inf  # misfit where the last step began

    def step(self, response: EdgeResponse, table: Table, size: Float, spread: Float) -> Float:
        """One Gauss-Newton step in all parameters; returns the change (k,) of the shared.

        `table` holds the derivatives of F by the shared parameters, whose present values are
        `size` and which are expected to be zero within `spread` (k,).
        """
        count = len(size)
        total, side = np.zeros((count, count)), np.zeros(count)
        both = np.empty((len(self.p), PARAMETERS, count + 1))
        square = 0.0
        parts = max(1, self.profiles.value.size * count // _AT_ONCE)
        for part in np.array_split(np.arange(len(self.p)), parts):
            few, p = self.profiles.take(part), self.p[part]
            model, jacobian, left = model_of(few, p, response, self.clip)
            # What differs little is subtracted below: sums take all digits.
            jacobian, shape = jacobian.astype(float), _shape(few, p, table, left).astype(float)
            misfit, w = few.value - model, few.weight
            known = self.prior.take(part) if self.prior is not None else None
            matrix, right = normal_equations(jacobian, w, misfit, p, known)
            weighted = shape * w[..., None]
            cross = np.matmul(jacobian, weighted)  # (n, 8, k)
            own = np.linalg.solve(matrix, np.concatenate([cross, right[..., None]], axis=2))
            total += _flat(weighted).T @ _flat(shape) - _flat(cross).T @ _flat(own[..., :-1])
            side += _flat(weighted).T @ misfit.ravel() - _flat(cross).T @ own[..., -1].ravel()
            square += float(np.sum(w * misfit**2))
            both[part] = own
        noise = square / np.count_nonzero(self.profiles.weight) + 1e-12  # one pixel's variance
        self.cost = noise
        total[np.diag_indices_from(total)] += noise / spread**2
        change = np.linalg.solve(total, side - noise * size / spread**2)
        local = both[..., -1] - both[..., :-1] @ change
        self.p = stepped(self.p, local, step_limit(response))
        lever = (both[:, _E2, :-1] - both[:, _E1, :-1]).mean(axis=0)
        self.u_width = float(np.sqrt(noise * lever @ np.linalg.solve(total, lever)))
        return np.asarray(change)


def _shape(profiles: Profiles, p: Float, table: Table, left: Float | None) -> Float:
    """Derivatives (n, bins, k) of the model by the shared parameters."""
    u, beyond = profiles.distance, profiles.beyond
    p = p.astype(u.dtype)
    light = profiles.gain if left is None else profiles.gain * left.astype(u.dtype)
    out = np.zeros((*u.shape, table.rows.shape[1]), u.dtype)
    for level, first, second in (
        (_A, u - p[:, _E1, None], u - p[:, _E2, None]),
        (_AL, u - p[:, _E0, None] + beyond, u - p[:, _E0, None]),
        (_AR, u - p[:, _E3, None], u - p[:, _E3, None] - beyond),
    ):
        part = table(first)
        part -= table(second)
        part *= (p[:, level, None] * light)[..., None]
        out += part
    return out


def _flat(rows: Float) -> Float:
    return rows.reshape(-1, rows.shape[-1])


def _settle_sigma(openings: _Openings, sigma: float, rounds: int) -> float:
    """Steps in sigma and all parameters; the state with the least misfit is kept.

    Of two with about the same misfit a settled state is kept, not one that is far from it.
    """
    free = np.array([10.0])
    kept, least, left = (sigma, openings.p), np.inf, np.inf
    for _ in range(rounds + 1):
        before = openings.p
        change = openings.step(gaussian_response(sigma), widening(sigma), np.zeros(1), free)
        settling = openings.cost < _SAME_MISFIT * least and abs(change[0]) < _NEAR and left > _FAR
        if openings.cost < least or settling:
            kept, least, left = (sigma, before), openings.cost, abs(change[0])
        if abs(change[0]) < _SETTLED:
            break
        sigma = max(_FINEST, sigma * float(np.exp(np.clip(change[0], -0.3, 0.3))))
    sigma, openings.p = kept
    return sigma


def fit_sigma(
    profiles: Profiles, start: Float, rounds: int, clip: SensorRange | None = None
) -> tuple[float, Float]:
    """The blur of the edges as a Gaussian sigma (px), and the parameters (n, 8) that go with it.

    A search over fixed sigmas comes first, which cannot diverge, then steps in all parameters
    together, which are undone if they do not help.
    """
    some = np.arange(0, len(start), max(1, len(start) // _TRIED))
    few, guess = profiles.take(some), start[some]
    sigmas = [s for s in _SIGMAS if s < 0.4 * profiles.beyond]
    sigma = min(sigmas, key=lambda s: _tried(few, guess, s, clip)[0])
    cost, parameters = _tried(profiles, start, sigma, clip)
    openings = _Openings(profiles, parameters, None, clip)
    finer = _settle_sigma(openings, sigma, rounds)
    settled_cost, settled = _tried(profiles, openings.p, finer, clip)
    return (finer, settled) if settled_cost <= cost else (sigma, parameters)


def _best_shape(
    profiles: Profiles,
    start: Float,
    gaussian: EdgeResponse,
    prior: LevelPrior | None,
    clip: SensorRange | None,
) -> EdgeResponse:
    """The simple shape of blur that explains a few openings best; a Gaussian unless beaten.

    Where blur and opening are of like size, corrections alone cannot separate them.
    """
    some = np.arange(0, len(start), max(1, len(start) // 60))
    few, guess = profiles.take(some), start[some]
    known = prior.take(some) if prior is not None else None

    def cost(response: EdgeResponse) -> float:
        return float(np.mean(fit_edges(few, guess, response, known, clip, 2).misfit ** 2))

    plain = cost(gaussian)
    best, least = gaussian, 0.98 * plain
    for shape in SHAPES:
        sizes = gaussian.sigma * np.array([0.75, 0.9, 1.05, 1.2, 1.4])
        usual = cost(shaped_response(shape, sizes[1]))
        if usual > _FAR_WORSE * plain:
            continue
        costs = [cost(shaped_response(shape, s)) for s in sizes[[0, 2, 3, 4]]]
        costs.insert(1, usual)
        k = int(np.clip(np.argmin(costs), 1, len(sizes) - 2))
        bend = np.polyfit(sizes[k - 1 : k + 2], costs[k - 1 : k + 2], 2)
        finest = -bend[1] / (2 * bend[0]) if bend[0] > 0 else sizes[k]
        trial = shaped_response(shape, float(np.clip(finest, sizes[0], sizes[-1])))
        if (tried := cost(trial)) < least:
            best, least = trial, tried
    return best


def _tried(
    profiles: Profiles, start: Float, sigma: float, clip: SensorRange | None
) -> tuple[float, Float]:
    """The usual misfit of a short fit under a Gaussian blur, and its parameters (n, 8)."""
    fit = fit_edges(profiles, start, gaussian_response(sigma), None, clip, 4)
    return float(np.median(fit.misfit)), fit.parameters


def fit_response(
    profiles: Profiles,
    start: Float,
    sigma: float,
    prior: LevelPrior | None = None,
    clip: SensorRange | None = None,
    rounds: int = 4,
    freedom: float = 1.0,
    shapes: bool = False,
) -> tuple[EdgeResponse, float]:
    """Fit the edge response to some hundred openings; `sigma` (px) is a good first estimate.

    `start` (n, 8) are their starting values; `freedom` scales how far the shape may depart from
    a simple shape, and `shapes` admits simple shapes other than a Gaussian. Also returns the
    standard uncertainty (px) common to all widths: what the pixels leave undetermined of the
    shape, and a share of what its departure from a Gaussian does to them.
    """
    openings = _Openings(profiles, start, prior, clip)
    sigma = _settle_sigma(openings, sigma, 2)
    base = gaussian_response(sigma)
    further = rounds if shapes else _FURTHER
    plain = fit_edges(profiles, openings.p, base, prior, clip, further)
    if shapes:
        base = _best_shape(profiles, plain.parameters, base, prior, clip)
    corrections = corrections_for(sigma, base)
    table = corrections.table()
    prior_size = freedom * corrections.prior
    size = np.zeros(len(prior_size))
    response, least = base, np.inf
    # Where blur and opening are of like size, it takes more steps to separate them.
    for _ in range(rounds + (3 if shapes else 1)):
        trial = corrections.response(size)
        change = openings.step(trial, table, size, prior_size)
        settled = abs(openings.cost - least) < _SHAPE_SETTLED * openings.cost
        if openings.cost < least:
            response, least = trial, openings.cost
        if settled:
            break
        size = size + change
    shaped = fit_edges(profiles, openings.p, response, prior, clip, further)
    if not np.median(shaped.misfit) <= 1.02 * np.median(plain.misfit):  # it diverged
        response, shaped = base, plain
    doubt = _SHAPE_TRUST * abs(float(np.median(shaped.width - plain.width)))
    return response, float(np.hypot(openings.u_width, doubt))
