"""The light of wires and of openings, smooth over the field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.model import LevelPrior

_ENOUGH = 5000  # openings for a smooth surface
_EVEN = 0.003  # share of the amplitude: light is assumed to be no more even than this


@dataclass(frozen=True, eq=False)
class Levels:
    """Light of wires (`floor`) and of openings (`top`) expected at every opening, (n,)."""

    floor: Float
    top: Float

    @classmethod
    def from_fits(cls, centre: Float, seen: Bool, fits: Sequence[EdgeFit]) -> Levels:
        """Levels of single fits in both directions, smoothed over the field.

        `centre` (n, 2) px; `seen` (n,) marks openings that show light.
        """
        floor = np.mean([f.floor for f in fits], axis=0)  # NaN unless both directions fitted
        top = floor + np.mean([f.amplitude for f in fits], axis=0)
        return cls(smooth_surface(centre, floor, seen), smooth_surface(centre, top, seen))

    def take(self, which: Index) -> Levels:
        """The levels at some of the openings."""
        return Levels(self.floor[which], self.top[which])


def level_prior(fit: EdgeFit, used: Index, centre: Float, noise: float) -> LevelPrior:
    """Levels expected at every `centre` (n, 2) from those of the openings `used`, in `fit`.

    `noise` is that of one pixel. The less single openings scatter about the smooth surface beyond
    their noise, the more it is worth.
    """
    weak = np.zeros(len(centre), np.bool_)
    weak[used] = True
    levels, strength = [], []
    for k, single in enumerate((fit.floor, fit.amplitude)):
        value = np.full(len(centre), np.nan)
        value[used] = single
        surface = smooth_surface(centre, value, weak)
        off = 1.4826 * float(np.nanmedian(np.abs(single - surface[used])))
        expected = noise * float(np.nanmedian(fit.level_factor[:, k]))
        least = _EVEN * float(np.nanmedian(fit.amplitude))
        levels.append(surface)
        strength.append(noise**2 / max(off**2 - expected**2, least**2))
    return LevelPrior(levels[0], levels[1], (strength[0], strength[1]))


@dataclass(frozen=True, eq=False)
class Surface:
    """A plane or quadratic over places less `middle`, in units of `size` px.

    `coefficient` (3 or 6,) belongs to 1, x, y and x², xy, y².
    """

    middle: Float
    size: float
    coefficient: Float

    def __call__(self, centre: Float) -> Float:
        """Its values (n,) at `centre` (n, 2) px."""
        return np.asarray(self._terms(centre)[:, : len(self.coefficient)] @ self.coefficient)

    def plus(self, other: Surface) -> Surface:
        """The sum with another surface over the same places."""
        return replace(self, coefficient=self.coefficient + other.coefficient)

    def _terms(self, centre: Float) -> Float:
        x, y = ((centre - self.middle) / self.size).T
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)

    @classmethod
    def through(cls, centre: Float, value: Float, seen: Bool) -> Surface:
        """A robust fit to the `value` (n,) of the openings `seen` (n,) among those at `centre`."""
        size = max(1.0, float(np.ptp(centre, axis=0).max()))
        blank = cls(centre.mean(axis=0), size, np.full(6 if seen.sum() > 60 else 3, np.nan))
        some = np.flatnonzero(seen & np.isfinite(value))
        some = some[:: max(1, len(some) // _ENOUGH)]
        part = blank._terms(centre[some])[:, : len(blank.coefficient)]
        target, weight = value[some], np.ones(len(some))
        coefficient: NDArray[Any] = blank.coefficient
        for _ in range(4):
            weighted = part * weight[:, None]
            coefficient, *_ = np.linalg.lstsq(weighted, target * weight, rcond=None)
            off = np.abs(target - part @ coefficient)
            weight = weight * (off <= 4 * np.median(off[weight > 0]) + 1e-9)
        return replace(blank, coefficient=coefficient)


def smooth_surface(centre: Float, value: Float, seen: Bool) -> Float:
    """A robust quadratic surface through `value` (n,), evaluated at every `centre` (n, 2)."""
    return Surface.through(centre, value, seen)(centre)
