"""What varies over the field: the light of wires and of openings, and the focus.

Cloth that bulges lies nearer the glass in one place. The edge response is fitted once for all
openings. By how much it is too wide or too narrow for an opening follows from the residuals in one
linear step: with s = ∂I/∂ln σ the score sᵀr over the information left once the opening's own
parameters are fitted (Schur's complement). A smooth surface through these steps is the map of the
blur.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.model import (
    PARAMETERS,
    LevelPrior,
    Parameter,
    SensorRange,
    model_of,
    normal_equations,
)
from sieve_inspect.edges.profiles import Profiles
from sieve_inspect.edges.response import EdgeResponse

_SURFACE_FROM = 5000  # openings for a smooth surface
_EVEN_LIGHT = 0.003  # share of the amplitude: light is assumed to be no more even than this


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
        least = _EVEN_LIGHT * float(np.nanmedian(fit.amplitude))
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
        some = some[:: max(1, len(some) // _SURFACE_FROM)]
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


_EVEN = 0.06  # of the logarithm of the blur: a range below this changes no width
_CLEAR = 8  # standard errors of the surface by which its range must stand out
_TERMS = 6  # of the surface
_CLASS = 0.05  # of the logarithm of the blur: width of a class of alike blur
_MOST = 0.6  # of the logarithm of the blur: the map is cut off there
_FEWEST, _ENOUGH = 100, 2000  # openings from which a map is made


@dataclass(frozen=True, eq=False)
class BlurMap:
    """How much wider the blur is over the field than that of the common edge response.

    Openings are put in classes of alike blur, numbered from the response's own, 0.
    """

    surface: Surface

    def __call__(self, centre: Float) -> Float:
        """Logarithm (n,) of the factor by which it is wider, at `centre` (n, 2) px."""
        return np.clip(self.surface(centre), -_MOST, _MOST)

    def classes(self, centre: Float) -> Index:
        """Number (n,) of the class at `centre` (n, 2) px."""
        return np.rint(self(centre) / _CLASS).astype(np.intp)


def response_of(response: EdgeResponse, number: int) -> EdgeResponse:
    """The response of a class."""
    factor = float(np.exp(number * _CLASS))
    return replace(
        response,
        start=response.start * factor,
        step=response.step * factor,
        slope=response.slope / factor,
        sigma=response.sigma * factor,
    )


def _by_class(number: Index, response: EdgeResponse) -> Iterator[tuple[Index, EdgeResponse]]:
    """Openings of the same class `number` (n,), and their response."""
    for k in np.unique(number):
        yield np.flatnonzero(number == k), response_of(response, int(k))


def fit_by_focus(
    fit: Callable[[Index, EdgeResponse], EdgeFit], number: Index, response: EdgeResponse
) -> EdgeFit:
    """Fit the openings of each class `number` (n,) by `fit(which, response of the class)`."""
    out = EdgeFit.blank(len(number))
    for which, own in _by_class(number, response):
        out.overwrite(which, fit(which, own))
    return out


def fit_blur_map(
    profiles: Profiles,
    fit: EdgeFit,
    response: EdgeResponse,
    clip: SensorRange | None,
    centre: Float,
    blur_map: BlurMap | None = None,
) -> BlurMap | None:
    """The map of the blur; None where it is even.

    `fit` was made under `blur_map`, None for one response for all; `centre` (n, 2) px.
    """
    count = len(centre)
    shift = np.full(count, np.nan)
    sound = np.isfinite(fit.parameters).all(axis=1) & ~fit.poor
    if sound.sum() < _FEWEST:
        return blur_map
    sound &= np.arange(count) % max(1, count // _ENOUGH) == 0
    number = np.zeros(count, np.intp) if blur_map is None else blur_map.classes(centre)
    for which, own in _by_class(number, response):
        part = which[sound[which]]
        if len(part):
            shift[part] = _blur_step(profiles.take(part), fit.parameters[part], own, clip)
    more = Surface.through(centre, shift, sound)
    if blur_map is not None:
        return BlurMap(more.plus(blur_map.surface))
    surface = more(centre)
    low, high = np.percentile(surface[sound], (5, 95))
    scatter = 1.4826 * float(np.nanmedian(np.abs(shift - surface)))
    clear = _CLEAR * scatter * np.sqrt(_TERMS / sound.sum())
    return BlurMap(more) if high - low >= max(_EVEN, clear) else None


def _blur_step(
    profiles: Profiles, p: Float, response: EdgeResponse, clip: SensorRange | None
) -> Float:
    """One step (n,) in the logarithm of the blur for each opening by itself."""
    u, w = profiles.distance, profiles.weight
    model, jacobian, _ = model_of(profiles, p, response, clip)
    # ∂F(u/s)/∂ln s = −u F'(u); the derivatives by the edges hold F' with its sign and light.
    shape = sum(
        jacobian[:, k] * (u - p[:, k, None]) for k in range(Parameter.EDGE_BEFORE, PARAMETERS)
    )
    matrix, _ = normal_equations(jacobian, w, profiles.value - model, p)
    cross = np.matmul(jacobian, (w * shape)[..., None])[..., 0]
    bound = np.linalg.solve(matrix, cross[..., None])[..., 0]
    left = np.sum(w * shape**2, axis=1) - np.sum(cross * bound, axis=1)
    score = np.sum(w * shape * (profiles.value - model), axis=1)
    return np.asarray(score / np.maximum(left, 1e-12))
