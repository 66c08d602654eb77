"""How likely two different cloths agree as well by chance.

Residuals along one wire are nearly the same number again, so n common openings are not n
independent pairs. After Clifford, Richardson and Hémon (Biometrics 45 (1989) 123) the correlation
r of two unrelated maps with the autocorrelations ρ_A, ρ_B has the variance

    var(r) = Σ_h n(h) ρ_A(h) ρ_B(h) / n²         n(h): pairs of common openings a lag h apart
    n_eff  = 1 + 1 / var(r)
    t      = r √(ν / (1 − r²)),  ν = n_eff − 2    one-sided, Student's t

Where wires are straight, noise hides much of how well they agree: their means along the common part
agree better than single openings. The better of both, openings and wire means, counts, for which p
is doubled.

Two cloths of one roll share their warp or, side by side, their weft: neither family proves the
cloth alone. With N ways to lay one grid on the other, of which N_c differ in their columns and N_r
in their rows,

    p = max(N p_x p_y, 2 N_c p_x, 2 N_r p_y)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float

_LARGEST_R = 1 - 1e-9


@dataclass(frozen=True)
class Agreement:
    """How two maps agree where they overlap: for x and y the correlation and its n_eff.

    `r` and `n_eff` are those of openings, `r_wires` and `n_wires` those of the wires' means.
    """

    r: tuple[float, float]
    n_eff: tuple[float, float]
    r_wires: tuple[float, float] = (0.0, 0.0)
    n_wires: tuple[float, float] = (1.0, 1.0)

    def p_single(self, axis: int) -> float:
        """The probability of such correlations or higher ones in one unrelated place."""
        openings = tail(self.r[axis], self.n_eff[axis])
        wires = tail(self.r_wires[axis], self.n_wires[axis])
        return min(1.0, 2 * min(openings, wires))

    def p_false(self, ways: int, rows: int, columns: int) -> float:
        """The probability of such agreement anywhere, for `ways` of laying one on the other."""
        x, y = (self.p_single(axis) for axis in (0, 1))
        return min(1.0, max(ways * x * y, 2 * columns * x, 2 * rows * y))


def tail(r: float, n_eff: float) -> float:
    """One-sided probability of a correlation of `r` or more of n_eff unrelated pairs."""
    freedom = n_eff - 2
    if freedom <= 0.5 or r <= 0:
        return 1.0
    from scipy.special import stdtr

    r = min(r, _LARGEST_R)
    return float(stdtr(freedom, -r * math.sqrt(freedom / (1 - r * r))))


def effective_pairs(first: Float, second: Float, shape: tuple[int, int], count: int) -> float:
    """Independent pairs among `count` common openings in a part of `shape` (rows, columns).

    `first` and `second` are autocorrelations of the two maps by lag, zero in their middles. Only
    lags at which both are alike in sign count: chance makes as many negative products, which would
    pretend independence.
    """
    rows, columns = (
        min(n, (a + 1) // 2, (b + 1) // 2)
        for n, a, b in zip(shape, first.shape, second.shape, strict=True)
    )

    def part(rho: Float) -> Float:
        y, x = rho.shape[0] // 2, rho.shape[1] // 2
        return rho[y - rows + 1 : y + rows, x - columns + 1 : x + columns]

    lag_y = rows - np.abs(np.arange(1 - rows, rows))
    lag_x = columns - np.abs(np.arange(1 - columns, columns))
    pairs = lag_y[:, None] * lag_x[None, :] / (rows * columns)
    variance = float((pairs * np.maximum(part(first) * part(second), 0.0)).sum())
    filled = count / (shape[0] * shape[1])
    effective = 1.0 + rows * columns / max(variance, 1e-12)
    # Holes take independent pairs away as they take pairs.
    return float(min(float(count), max(1.0, effective * filled)))


def effective_wires(first: Float, second: Float, shape: tuple[int, int], wires: int) -> float:
    """Independent pairs among the means of `wires` wires of a part of `shape`.

    `first` and `second` are autocorrelations by lag as above, laid so that wires run down the
    rows: the means of wires a lag apart are as alike as all their openings together.
    """
    memory = [_of_means(rho, shape) for rho in (first, second)]
    reach = min(len(m) // 2 for m in memory)
    lag = np.arange(-reach, reach + 1)
    a, b = (m[len(m) // 2 - reach : len(m) // 2 + reach + 1] for m in memory)
    pairs = np.maximum(wires - np.abs(lag), 0) / wires
    variance = float((pairs * np.maximum(a * b, 0.0)).sum())
    return float(min(wires, max(1.0, 1.0 + wires / max(variance, 1e-12))))


def _of_means(rho: Float, shape: tuple[int, int]) -> Float:
    """Autocorrelation of wire means by lag across the wires, 1 at lag 0."""
    y = rho.shape[0] // 2
    reach = min(y, shape[0] - 1)
    weight = shape[0] - np.abs(np.arange(-reach, reach + 1))
    means = weight @ rho[y - reach : y + reach + 1]
    return np.asarray(means / max(float(means[len(means) // 2]), 1e-12))
