"""Fitting what all openings share: the edge response.

Every opening has its own edges and levels; the blur is common to all. Both are fitted together:
the openings' own parameters are eliminated from the normal equations, and what remains for the
shared ones is Schur's complement. Corrections to the shape that the pixels cannot determine stay
near zero by their prior, and what they leave open comes out as an uncertainty that all widths
have in common.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.edge import (
    Clip,
    LevelPrior,
    Side,
    model_of,
    normal_equations,
    step_limit,
)
from sieve_inspect.weave.profiles import Profiles
from sieve_inspect.weave.response import (
    EdgeResponse,
    Table,
    corrections_for,
    gaussian_response,
    widening,
)

__all__ = ["fit_response", "fit_sigma"]

Float = NDArray[np.float64]
_A, _AL, _AR, _E0, _E1, _E2, _E3 = range(1, 8)
_FINEST = 0.2  # px; a pixel's own width blurs more than this


class _Openings:
    """Some hundred openings and the present guess of their parameters `p` (n, 8)."""

    def __init__(
        self, profiles: Profiles, p: Float, prior: LevelPrior | None, clip: Clip | None
    ) -> None:
        self.profiles = profiles
        self.p = p
        self.prior = prior
        self.clip = clip
        self.u_width = 0.0

    def step(self, response: EdgeResponse, table: Table, size: Float, spread: Float) -> Float:
        """One Gauss-Newton step in all parameters; returns the change (k,) of the shared ones.

        `table` holds the derivatives of F by the shared parameters, whose present values are
        `size` and which are expected to be zero within `spread` (k,).
        """
        y, w = self.profiles.value, self.profiles.weight
        model, jacobian, left = model_of(self.profiles, self.p, response, self.clip)
        shape = self._shape(table, left)
        misfit = y - model
        matrix, right = normal_equations(jacobian, w, misfit, self.p, self.prior)
        weighted = shape * w[..., None]
        cross = np.matmul(jacobian.transpose(0, 2, 1), weighted)  # (n, 8, k)
        both = np.linalg.solve(matrix, np.concatenate([cross, right[..., None]], axis=2))
        noise = float(np.sum(w * misfit**2) / np.count_nonzero(w)) + 1e-12  # one pixel's variance
        total = np.einsum("nbk,nbl->kl", weighted, shape)
        total -= np.einsum("npk,npl->kl", cross, both[..., :-1])
        side = np.einsum("nbk,nb->k", weighted, misfit)
        side -= np.einsum("npk,np->k", cross, both[..., -1])
        total[np.diag_indices_from(total)] += noise / spread**2
        change = np.linalg.solve(total, side - noise * size / spread**2)
        local = both[..., -1] - both[..., :-1] @ change
        limit = step_limit(response)
        local[:, _E0:] = np.clip(local[:, _E0:], -limit, limit)
        self.p = self.p + local
        lever = (both[:, Side.SECOND, :-1] - both[:, Side.FIRST, :-1]).mean(axis=0)
        self.u_width = float(np.sqrt(noise * lever @ np.linalg.solve(total, lever)))
        return np.asarray(change)

    def _shape(self, table: Table, left: Float | None) -> Float:
        """Derivatives (n, bins, k) of the model by the shared parameters."""
        u, beyond = self.profiles.distance, self.profiles.beyond
        at = {e: table(u - self.p[:, e, None]) for e in (_E0, _E1, _E2, _E3)}
        light = self.profiles.gain if left is None else self.profiles.gain * left
        level = {k: (self.p[:, k, None] * light)[..., None] for k in (_A, _AL, _AR)}
        out = level[_A] * (at[_E1] - at[_E2])
        out += level[_AL] * (table(u - self.p[:, _E0, None] + beyond) - at[_E0])
        out += level[_AR] * (at[_E3] - table(u - self.p[:, _E3, None] - beyond))
        return np.asarray(out)


def _settle_sigma(openings: _Openings, sigma: float, rounds: int) -> float:
    free = np.array([10.0])
    for _ in range(rounds):
        response = gaussian_response(sigma)
        change = openings.step(response, widening(sigma), np.zeros(1), free)
        sigma = max(_FINEST, sigma * float(np.exp(np.clip(change[0], -0.5, 0.5))))
    return sigma


def fit_sigma(
    profiles: Profiles, start: Float, sigma: float, rounds: int, clip: Clip | None = None
) -> tuple[float, Float]:
    """The blur of the edges as a Gaussian sigma (px) from a guess of it, and the parameters."""
    openings = _Openings(profiles, start, None, clip)
    return _settle_sigma(openings, sigma, rounds), openings.p


def fit_response(
    profiles: Profiles,
    start: Float,
    sigma: float,
    prior: LevelPrior | None = None,
    clip: Clip | None = None,
    rounds: int = 4,
    freedom: float = 1.0,
) -> tuple[EdgeResponse, float]:
    """Fit the edge response to some hundred openings; `sigma` (px) is a good first guess.

    `freedom` scales how far the shape may depart from a Gaussian.
    Also returns the standard uncertainty (px) common to all widths from what the pixels leave
    open about the shape.
    """
    openings = _Openings(profiles, start, prior, clip)
    corrections = corrections_for(_settle_sigma(openings, sigma, 3))
    table = corrections.table()
    prior_size = freedom * corrections.prior
    size = np.zeros(len(prior_size))
    for _ in range(rounds):
        response = corrections.response(size)
        size = size + openings.step(response, table, size, prior_size)
    return corrections.response(size), openings.u_width
