"""Weighted least squares with the covariance of the solution.

    value = (JᵀWJ)⁻¹ JᵀWy          s² = rᵀWr / dof          covariance = s² (JᵀWJ)⁻¹

Where neighbouring residuals correlate (dust, an uneven target, a map too stiff) s² alone is too
small; `clustered_covariance` sums the scores of groups instead,

    (JᵀWJ)⁻¹ (Σ_g JᵀW r rᵀWJ) (JᵀWJ)⁻¹ · G/(G−1)

(Liang and Zeger's estimate, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.errors import UsageError

_TOO_FEW = (
    "The marks do not determine the scale: check the pattern, and show more of the "
    "artefact in both directions."
)


@dataclass(frozen=True, eq=False)
class Solution:
    """Parameters (k,), their covariance (k, k), residuals (n,), and the spread of one value."""

    value: Float
    covariance: Float
    residual: Float
    sd: float
    dof: int
    inverse: Float  # (JᵀWJ)⁻¹, the covariance at unit spread
    leverage: Float  # (n,) influence of each value on its own fit, 0 to 1

    @property
    def u(self) -> Float:
        """Standard uncertainties of the parameters (k,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def least_squares(
    design: Float, wanted: Float, weight: Float | None = None, *, quick: bool = False
) -> Solution:
    """Solve design (n, k) · value = wanted (n,) with weights (n,); columns scaled, by QR.

    `quick` goes by the normal equations, good for half the digits. Raises `UsageError` when the
    rows do not determine all parameters.
    """
    root = np.ones(len(wanted)) if weight is None else np.sqrt(weight)
    size = np.sqrt(np.einsum("nk,n->k", design * design, root * root))
    count = int(np.count_nonzero(root))
    if count < design.shape[1] or (size == 0).any():
        raise UsageError(message=_TOO_FEW)
    scaled = design * (root[:, None] / size)
    if quick:
        matrix = scaled.T @ scaled
        matrix[np.diag_indices_from(matrix)] *= 1 + 1e-14
        try:
            r = np.linalg.cholesky(matrix).T
        except np.linalg.LinAlgError as error:
            raise UsageError(message=_TOO_FEW) from error
        q = scaled @ np.linalg.inv(r)
    else:
        q, r = np.linalg.qr(scaled)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < 1e-10 * diagonal.max():
        raise UsageError(message=_TOO_FEW)
    value = np.linalg.solve(r, q.T @ (root * wanted)) / size
    back = np.linalg.inv(r) / size[:, None]
    inverse = back @ back.T
    residual = wanted - design @ value
    dof = max(count - design.shape[1], 1)
    variance = float(np.sum((root * residual) ** 2)) / dof
    spread, leverage = float(np.sqrt(variance)), np.einsum("nk,nk->n", q, q)
    return Solution(value, variance * inverse, residual, spread, dof, inverse, leverage)


def clustered_covariance(solution: Solution, design: Float, weight: Float, group: Index) -> Float:
    """Covariance (k, k) for residuals that correlate within each `group` (n,)."""
    _, compact = np.unique(group, return_inverse=True)
    count = int(compact.max()) + 1
    if count < 3:
        return solution.covariance
    pull = np.zeros((count, design.shape[1]))
    np.add.at(pull, compact, design * (weight * solution.residual)[:, None])
    middle = pull.T @ pull * (count / (count - 1))
    return np.asarray(solution.inverse @ middle @ solution.inverse)


def robust_weights(residual: Float, used: Bool, floor: float, *, hard: bool = False) -> Float:
    """Tukey's biweight (n,) at 5 robust standard deviations; 0 where not `used`.

    `hard` gives weight 1 within 4.5 of them and 0 beyond, so that the spread of the rest is that
    of the noise. `floor` is the smallest standard deviation, for noise-free data.
    """
    spread = max(1.4826 * float(np.median(np.abs(residual[used]))), floor)
    if hard:
        return np.where(used & (np.abs(residual) <= 4.5 * spread), 1.0, 0.0)
    z = np.clip(np.abs(residual) / (5 * spread), 0, 1)
    return np.asarray(np.where(used, (1 - z * z) ** 2, 0.0))
