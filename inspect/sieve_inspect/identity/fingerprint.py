"""The residuals a cloth is recognised by: widths without what scale, lamp and loom do to all.

From the widths of each direction are subtracted a plane over the grid (lamp, blur, tension) and the
difference of odd and even gaps (the reed sets two wires to a dent, in every cloth alike).
Residuals beyond five robust standard deviations are held there, so that a displaced wire does not
decide alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.identity.cloth_map import ClothMap, Turn

_HELD = 5.0  # robust standard deviations
MAD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation
_ENOUGH = 40_000  # openings to which the plane is fitted
_GOLDEN = (5**0.5 - 1) / 2
_FEWEST = 24  # openings below which nothing is fitted
_LAGS = (4, 0.25)  # across the wires a correlation is known for so many lags, or this share
_WINDOW = 256  # rows and columns in the middle from which correlation along the wires is taken


@dataclass(frozen=True, eq=False)
class Fingerprint:
    """Residual widths (2, rows, columns) in standard deviations, 0 where unknown.

    `known` (rows, columns) marks sound openings; `faithful` is, for x and y, the share of the
    residuals' variance that is the cloth's and not noise of the pixels.
    """

    residual: Float32
    known: Bool
    faithful: tuple[float, float]

    @classmethod
    def of(cls, cloth: ClothMap) -> Fingerprint:
        """That of a map."""
        known = cloth.ok
        residual = np.zeros_like(cloth.width)
        faithful = []
        for axis in (0, 1):
            values, share = _residual(cloth.width[axis], cloth.noise[axis], known, axis)
            residual[axis] = values
            faithful.append(share)
        return cls(residual, known, (faithful[0], faithful[1]))

    def turned(self, turn: Turn) -> Fingerprint:
        """The same cloth laid another way."""
        x, y = self.faithful
        shares = (y, x) if turn.swaps else (x, y)
        return Fingerprint(turn.of_pair(self.residual), turn.of(self.known), shares)

    @property
    def regular(self) -> bool:
        """Whether the widths of a direction vary no more than the noise of the picture."""
        return min(self.faithful) < 0.5

    @cached_property
    def likeness(self) -> tuple[Float, Float]:
        """Autocorrelation of x and y by lag: (2 rows − 1, 2 columns − 1) of the middle part.

        Lag 0 lies in the middle. Across the wires only short lags are kept, for chance would fill
        the others; there the wires of a cloth have no memory but the loom's seasons.
        """
        x, y = (_autocorrelation(self, axis) for axis in (0, 1))
        return x, y


def _residual(width: Float32, noise: Float32, known: Bool, axis: int) -> tuple[Float32, float]:
    out = np.zeros(width.shape, np.float32)
    if known.sum() < _FEWEST:
        return out, 0.0
    value = width[known].astype(np.float64)
    value -= np.median(value)
    spread = robust_spread(value) or 1.0
    np.clip(value, -2 * _HELD * spread, 2 * _HELD * spread, out=value)
    plane = Plane.over(known, axis)
    for _ in range(2):
        rest = plane.taken_from(value)
        spread = robust_spread(rest)
        if spread == 0:
            return out, 0.0
        held = np.clip(rest, -_HELD * spread, _HELD * spread)
        value += held - rest
    variance = float(np.mean(held**2))
    share = 1 - float(np.mean(noise[known].astype(np.float64) ** 2)) / variance
    out[known] = held / np.sqrt(variance)
    return out, max(0.0, share)


def robust_spread(value: Float) -> float:
    """The standard deviation (n,) of normal values around 0, by a sample of them if many."""
    return MAD * float(np.median(np.abs(value[sample_of(len(value))])))


def sample_of(count: int) -> slice | Index:
    """Enough of so many openings for a trend or a spread, all of them if few.

    Multiples of the golden ratio spread evenly and fall in step with no row, column or parity.
    """
    if count <= _ENOUGH:
        return slice(None)
    share = np.modf(np.arange(_ENOUGH) * _GOLDEN)[0]
    return np.asarray(share * count, np.intp)


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane over a grid and the difference of odd and even gaps, known at n openings.

    `terms` are grids of (rows, 1), (1, columns) or (1, 1) that broadcast to the whole;
    `sample` are the openings to which the plane is fitted, `design` (m, terms) theirs.
    """

    known: Bool
    terms: tuple[Float, ...]
    sample: slice | Index
    design: Float

    @classmethod
    def over(cls, known: Bool, axis: int) -> Plane:
        """For the openings known (rows, columns), with the gaps of x or y."""
        rows, columns = known.shape
        y, x = (np.arange(n) / max(1, n - 1) - 0.5 for n in (rows, columns))
        odd = np.asarray(np.arange(columns if axis == 0 else rows) % 2 - 0.5, np.float64)
        terms = (
            np.ones((1, 1)),
            x[None, :],
            y[:, None],
            odd[None, :] if axis == 0 else odd[:, None],
        )
        at = np.flatnonzero(known)
        sample = sample_of(len(at))
        row, column = np.divmod(at[sample], columns)
        design = [t[row if len(t) > 1 else 0, column if t.shape[1] > 1 else 0] for t in terms]
        return cls(
            known, terms, sample, np.stack([np.broadcast_to(d, row.shape) for d in design], 1)
        )

    def taken_from(self, value: Float) -> Float:
        """What is left of values (n,) at the openings known."""
        beta = np.linalg.lstsq(self.design, value[self.sample], rcond=None)[0]
        grid = sum(b * term for b, term in zip(beta, self.terms, strict=True))
        return np.asarray(value - np.broadcast_to(grid, self.known.shape)[self.known])


def _autocorrelation(print_: Fingerprint, axis: int) -> Float:
    from scipy.fft import irfft2, next_fast_len, rfft2

    middle = tuple(
        slice(max(0, (n - _WINDOW) // 2), max(0, (n - _WINDOW) // 2) + _WINDOW)
        for n in print_.known.shape
    )
    value, known = print_.residual[axis][middle], print_.known[middle].astype(np.float32)
    rows, columns = known.shape
    shape = [next_fast_len(2 * n - 1, real=True) for n in known.shape]

    def auto(grid: Float32) -> Float:
        power = np.abs(rfft2(grid, shape)) ** 2
        full = np.fft.fftshift(irfft2(power, shape))
        top, left = shape[0] // 2 - rows + 1, shape[1] // 2 - columns + 1
        return np.asarray(full[top : top + 2 * rows - 1, left : left + 2 * columns - 1])

    pairs = np.rint(auto(known))
    rho = np.divide(auto(value), pairs, out=np.zeros(pairs.shape), where=pairs > 0.5)
    rho /= max(float(rho[rows - 1, columns - 1]), 1e-12)
    across, middle_lag = (columns, columns - 1) if axis == 0 else (rows, rows - 1)
    reach = max(_LAGS[0], int(_LAGS[1] * across))
    lag = np.abs(np.arange(2 * across - 1) - middle_lag)
    keep = lag <= reach
    return np.where(keep[None, :] if axis == 0 else keep[:, None], rho, 0.0)
