"""Two maps of one cloth, laid on each other: common openings, turn, shift and pitch.

    middle ≈ p + column · v_x + row · v_y         least squares over the same openings of both
    spacing of the wires beside x: |v_x × v_y| / |v_y|, beside y: |v_x × v_y| / |v_x|

The real irregularities of the cloth are in both fits and leave their ratio alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.identity.fingerprint import Fingerprint, Plane, robust_spread, sample_of
from sieve_inspect.identity.search import FEWEST, Place
from sieve_inspect.identity.significance import Agreement, effective_pairs, effective_wires

Part = tuple[slice, slice]
_NARROWEST = 4  # rows or columns that a common part needs
_HELD = 3.0  # robust standard deviations: a displaced wire does not decide alone
_SEEN = 0.5  # share of the best seen wire's openings from which a wire's mean counts
_LEVELS = 2  # independent pairs that a slope and a difference of odd and even gaps take


@dataclass(frozen=True)
class Overlap:
    """The parts of the first grid and of the turned second grid that lie on each other."""

    place: Place
    first: Part
    second: Part

    @classmethod
    def of(cls, place: Place, first: tuple[int, int], second: tuple[int, int]) -> Overlap:
        """For grids of these rows and columns."""
        turned = second[::-1] if place.turn.swaps else second
        parts = []
        for own, other, shift in zip(first, turned, (place.rows, place.columns), strict=True):
            start, stop = max(0, shift), max(0, shift, min(own, other + shift))
            parts.append((slice(start, stop), slice(start - shift, stop - shift)))
        return cls(place, (parts[0][0], parts[1][0]), (parts[0][1], parts[1][1]))

    def count(self, first: Fingerprint, second: Fingerprint) -> int:
        """Sound openings in common."""
        return int(self._common(first, second).sum())

    def _common(self, first: Fingerprint, second: Fingerprint) -> Bool:
        known = self.place.turn.of(second.known)[self.second]
        return np.asarray(first.known[self.first] & known)

    def agreement(self, first: Fingerprint, second: Fingerprint) -> Agreement:
        """Correlations of the residuals and the independent pairs behind them."""
        common = self._common(first, second)
        count, laid = int(common.sum()), second.turned(self.place.turn)
        likeness = second.likeness[::-1] if self.place.turn.swaps else second.likeness
        shape = (common.shape[0], common.shape[1])
        if count < FEWEST or min(shape) < _NARROWEST:
            return Agreement((0.0, 0.0), (1.0, 1.0))
        row, column = np.nonzero(common)
        found: list[tuple[float, float, float, float]] = []
        for axis in (0, 1):
            # The same openings of both are levelled alike: nothing of the cloth is lost to those
            # that one of them has more.
            plane = Plane.over(common, axis)
            a = plane.taken_from(first.residual[axis][self.first][common].astype(np.float64))
            b = plane.taken_from(laid.residual[axis][self.second][common].astype(np.float64))
            held = _HELD * robust_spread(np.concatenate([a, b]))
            a, b = np.clip(a, -held, held), np.clip(b, -held, held)
            alike = first.likeness[axis], self.place.turn.of(likeness[axis])
            n_eff = effective_pairs(*alike, shape, count)
            wire = column if axis == 0 else row
            means = _of_wires(a, wire), _of_wires(b, wire)
            down = shape if axis == 0 else shape[::-1]
            upright = alike if axis == 0 else (alike[0].T, alike[1].T)
            n_wires = effective_wires(*upright, down, len(means[0]))
            found.append((_correlation(a, b), n_eff, _correlation(*means), n_wires))
        x, y = found
        return Agreement(
            (x[0], y[0]),
            (max(1.0, x[1] - _LEVELS), max(1.0, y[1] - _LEVELS)),
            (x[2], y[2]),
            (max(1.0, x[3] - _LEVELS), max(1.0, y[3] - _LEVELS)),
        )


def _correlation(a: Float, b: Float) -> float:
    """Σ a b / √(Σ a² Σ b²) of levelled values."""
    energy = math.sqrt(float(a @ a) * float(b @ b))
    return float(a @ b) / energy if energy > 0 else 0.0


def _of_wires(value: Float, wire: Index) -> Float:
    """Means of the values (n,) on each wire, levelled again; wires seen half or more."""
    count = np.bincount(wire)
    seen = count >= _SEEN * count.max()
    number = np.flatnonzero(seen)
    mean = np.bincount(wire, weights=value)[seen] / count[seen]
    design = np.stack([np.ones(len(number)), number, number % 2], axis=1).astype(np.float64)
    return np.asarray(mean - design @ np.linalg.lstsq(design, mean, rcond=None)[0])


@dataclass(frozen=True, eq=False)
class Alignment:
    """The map of a cloth before and, laid on it, the map after; both in the rows of `before`."""

    before: ClothMap
    after: ClothMap
    overlap: Overlap

    def of_before(self, grid: NDArray[Any]) -> NDArray[Any]:
        """The common part of a grid (…, rows, columns) of the map before."""
        return np.asarray(grid[..., *self.overlap.first])

    def of_after(self, grid: NDArray[Any]) -> NDArray[Any]:
        """The common part of a grid (rows, columns) of the map after, laid on that before."""
        return np.asarray(self.overlap.place.turn.of(grid)[self.overlap.second])

    def pair_of_after(self, grids: NDArray[Any]) -> NDArray[Any]:
        """The same for two grids (2, rows, columns) of x and y, as those of the map before."""
        return np.asarray(self.overlap.place.turn.of_pair(grids)[..., *self.overlap.second])

    @cached_property
    def common(self) -> Bool:
        """Openings (rows, columns) of the common part that are sound in both."""
        return np.asarray(self.of_before(self.before.ok) & self.of_after(self.after.ok))

    @cached_property
    def places(self) -> tuple[Float, Float]:
        """Middles (n, 2) um of the common openings, before and after."""
        before = self.of_before(self.before.place)[:, self.common].T
        after = [self.of_after(self.after.place[axis])[self.common] for axis in (0, 1)]
        return before, np.stack(after, axis=1)

    @cached_property
    def numbers_after(self) -> tuple[Index, Index]:
        """Row and column (rows, columns) in the map after of each place of the common part."""
        row, column = np.indices(self.after.shape)
        return self.of_after(row), self.of_after(column)

    @cached_property
    def _steps(self) -> tuple[Float, Float]:
        """Steps (2, 2) to the next column and the next row, um, before and after."""
        row, column = np.nonzero(self.common)
        design = np.stack([column - column.mean(), row - row.mean()], axis=1)
        normal = design.T @ design
        before, after = (
            np.linalg.solve(normal, design.T @ (p - p.mean(axis=0))) for p in self.places
        )
        return before, after

    @cached_property
    def stretch(self) -> tuple[float, float]:
        """Spacing of the wires beside x and y, after over before, less 1."""
        before, after = (_spacings(steps) for steps in self._steps)
        return after[0] / before[0] - 1, after[1] / before[1] - 1

    @property
    def spacing_um(self) -> tuple[float, float]:
        """Spacing of the wires beside x and y before, um."""
        return _spacings(self._steps[0])

    @property
    def turned_deg(self) -> float:
        """How far the cloth lies turned in the picture after, from x towards y (downward)."""
        before, after = (math.atan2(steps[0][1], steps[0][0]) for steps in self._steps)
        return (math.degrees(after - before) + 180) % 360 - 180

    @property
    def shift_um(self) -> tuple[float, float]:
        """How far right and down the middle of the common part has moved, um."""
        before, after = (places.mean(axis=0) for places in self.places)
        return float(after[0] - before[0]), float(after[1] - before[1])

    @cached_property
    def u_stretch(self) -> tuple[float, float]:
        """Standard uncertainty of the stretch from the scatter of the middles."""
        count = len(self.places[0])
        before, after = (places[sample_of(count)] for places in self.places)
        design = np.column_stack([np.ones(len(after)), after])
        rest = before - design @ np.linalg.lstsq(design, before, rcond=None)[0]
        extent = math.sqrt(float(after.var(axis=0).mean()))
        u = float(rest.std()) / (extent * math.sqrt(count))
        return u, u


def _spacings(steps: Float) -> tuple[float, float]:
    along_x, along_y = steps
    area = abs(along_x[0] * along_y[1] - along_x[1] * along_y[0])
    return float(area / np.hypot(*along_y)), float(area / np.hypot(*along_x))
