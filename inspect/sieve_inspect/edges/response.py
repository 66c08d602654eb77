"""The edge response, or edge spread function: a step from wire to opening as this picture shows it.

F rises from 0 to 1: a Gaussian step plus a sum of small, smooth corrections. Its slope is the line
spread function. An opening's width depends on F at both its edges, and so not on where the middle
of F is placed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np

from sieve_inspect.arrays import Float, Float32, Index
from sieve_inspect.edges.normal import density, ndtr

_SHARPEST = 0.75  # px; a sharpened edge fits a narrower Gaussian, but its halo is as wide as this
_SOFT = 0.5  # px, Gaussian sigma that softens the shapes that are not Gaussian
_PER_SIGMA = 32  # grid points of a table


@dataclass(frozen=True, eq=False)
class EdgeResponse:
    """F and its slope per px tabulated on a regular grid from `start` px; constant outside it.

    `sigma` px is that of the Gaussian that fits best.
    """

    start: float
    step: float
    value: Float
    slope: Float
    sigma: float

    def _at(self, u: Float) -> tuple[Index, Float]:
        """Point of the grid at or below each u, and F there."""
        value, steps, _ = self._tables if u.dtype == np.float64 else self._single
        place = u - float(self.start)
        place *= 1 / float(self.step)
        np.maximum(place, 0, out=place)
        np.minimum(place, len(value) - 1.001, out=place)
        whole = np.floor(place)
        place -= whole
        index = whole.astype(np.intp)
        place *= steps.take(index, mode="clip")
        place += value.take(index, mode="clip")
        return index, place

    def rise(self, u: Float) -> Float:
        """F(u), by linear interpolation."""
        return self._at(u)[1]

    def __call__(self, u: Float) -> tuple[Float, Float]:
        """F(u) by linear interpolation, and dF/du at the point below: exact enough for steps."""
        index, value = self._at(u)
        slope = (self._tables if u.dtype == np.float64 else self._single)[2]
        return value, slope.take(index, mode="clip")

    @cached_property
    def _tables(self) -> tuple[Float, Float, Float]:
        return self.value, np.diff(self.value, append=self.value[-1:]), self.slope

    @cached_property
    def _single(self) -> tuple[Float, Float, Float]:
        single = tuple(table.astype(np.float32) for table in self._tables)
        return cast("tuple[Float, Float, Float]", single)


def _grid(sigma: float, reach: float) -> Float:
    return np.arange(-reach * sigma, reach * sigma, sigma / _PER_SIGMA)


def gaussian_response(sigma: float) -> EdgeResponse:
    """A Gaussian step of `sigma` px."""
    u = _grid(sigma, 6)
    return EdgeResponse(u[0], u[1] - u[0], ndtr(u / sigma), density(u / sigma) / sigma, sigma)


SHAPES = ("disc", "ahead", "behind")


def shaped_response(shape: str, sigma: float) -> EdgeResponse:
    """A step under a blur that is not Gaussian, of standard deviation `sigma` px.

    "disc" is defocus projected on a line, "ahead" and "behind" are one-sided exponential smears;
    all are softened by a pixel and a little more.
    """
    step = sigma / _PER_SIGMA
    u = _grid(sigma, 16)
    if shape == "disc":
        light = np.sqrt(np.maximum((2 * sigma) ** 2 - u * u, 0))
    else:
        along = (u if shape == "ahead" else -u) + sigma  # its mean stays at 0
        light = np.where(along >= 0, np.exp(-np.maximum(along, 0) / sigma), 0)
    half = int(4 * _SOFT / step) + 1
    soft = np.exp(-0.5 * (step * np.arange(-half, half + 1) / _SOFT) ** 2)
    light = np.convolve(light, soft, mode="same")
    light /= light.sum() * step
    value = np.cumsum(light) * step - 0.5 * light * step
    return EdgeResponse(u[0], step, value, light, sigma)


@dataclass(frozen=True, eq=False)
class Table:
    """Functions (m, k) on a regular grid, taken at the nearest point: exact enough for slopes."""

    start: float
    step: float
    rows: Float32

    def __call__(self, u: Float) -> Float32:
        """Values (..., k) at u (...) px."""
        index = u - float(self.start)
        index *= 1 / float(self.step)
        np.maximum(index, 0, out=index)  # it may be infinite
        np.minimum(index, len(self.rows) - 1, out=index)
        return self.rows.take(np.rint(index, out=index).astype(np.intp), axis=0, mode="clip")


def widening(sigma: float) -> Table:
    """Derivative of a Gaussian step by the logarithm of its sigma, as a table of one function."""
    u = _grid(sigma, 6)
    z = u / sigma
    return Table(u[0], u[1] - u[0], (-z * density(z))[:, None].astype(np.float32))


@dataclass(frozen=True, eq=False)
class Corrections:
    """Corrections to a `base` response: steps of width `spread` at `place` less a Gaussian step.

    All lengths in px. `prior` is the standard deviation expected of the size of each.
    """

    base: EdgeResponse
    sigma: float
    place: Float
    spread: Float
    prior: Float

    def table(self) -> Table:
        """All corrections on a grid."""
        u = _grid(self.sigma, 16)
        return Table(u[0], u[1] - u[0], self._values(u).astype(np.float32))

    def _values(self, u: Float) -> Float:
        z = (u[:, None] - self.place) / self.spread
        return ndtr(z) - ndtr(u / self.sigma)[:, None]

    def response(self, size: Float) -> EdgeResponse:
        """The edge response with corrections of the given sizes (k,)."""
        u = _grid(self.sigma, 16)
        z = (u[:, None] - self.place) / self.spread
        slopes = density(z) / self.spread - (density(u / self.sigma) / self.sigma)[:, None]
        value, slope = self.base(u)
        value, slope = value + self._values(u) @ size, slope + slopes @ size
        return EdgeResponse(u[0], u[1] - u[0], value, slope, self.sigma)


def corrections_for(sigma: float, base: EdgeResponse) -> Corrections:
    """Corrections to `base`, a blur of about `sigma` px.

    Narrow corrections a third of the blur apart shape the core; two wide symmetric corrections
    stand for glare.
    """
    unit = max(sigma, _SHARPEST)
    place = unit / 3 * np.arange(-8, 9)
    prior = 0.03 + 0.15 * np.exp(-0.5 * (place / (1.2 * unit)) ** 2)
    return Corrections(
        base,
        sigma,
        np.append(place, [0.0, 0.0]),
        np.append(np.full(len(place), unit / 3), unit * np.array([2.5, 5.0])),
        np.append(prior, [0.04, 0.04]),
    )
