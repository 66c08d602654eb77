"""Focus that varies over a picture: cloth that bulges lies nearer the glass in one place.

The edge response is fitted once for all openings. How much wider or narrower every opening would
have it follows from its residuals in one linear step: with s = ∂I/∂ln σ the score sᵀr over the
information left once the opening's own parameters are fitted (Schur's complement). A smooth
surface through that tells where the response has to be stretched, and by how much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.edge import Clip, EdgeFit, model_of, normal_equations
from sieve_inspect.weave.levels import smooth_surface
from sieve_inspect.weave.profiles import Profiles
from sieve_inspect.weave.response import EdgeResponse

__all__ = ["fit_by_focus", "local_stretch"]

Float = NDArray[np.float64]
Index = NDArray[np.intp]

_EVEN = 0.06  # of the logarithm of the blur: a spread below this changes no width
_CLASS = 0.05  # width of a class of alike blur, in the same
_MOST = 0.6
_FEWEST, _ENOUGH = 100, 2000  # openings that can tell


def _stretched(response: EdgeResponse, log_stretch: float) -> EdgeResponse:
    """The response of a blur wider by exp(`log_stretch`)."""
    factor = float(np.exp(log_stretch))
    return replace(
        response,
        start=response.start * factor,
        step=response.step * factor,
        slope=response.slope / factor,
        sigma=response.sigma * factor,
    )


def _classes(
    stretch: Float | None, response: EdgeResponse, count: int
) -> Iterator[tuple[Index, EdgeResponse]]:
    """Openings alike in blur, and their response; all in one where `stretch` (n,) is None."""
    if stretch is None:
        yield np.arange(count), response
        return
    number = np.rint(stretch / _CLASS).astype(np.intp)
    for one in np.unique(number):
        yield np.flatnonzero(number == one), _stretched(response, float(one) * _CLASS)


def fit_by_focus(
    fit: Callable[[Index, EdgeResponse], EdgeFit],
    stretch: Float,
    response: EdgeResponse,
    count: int,
) -> EdgeFit:
    """What `fit` makes of each class of openings, put together."""
    whole = EdgeFit.blank(count)
    for which, own in _classes(stretch, response, count):
        whole = whole.replaced(which, fit(which, own))
    return whole


def local_stretch(
    profiles: Profiles,
    fit: EdgeFit,
    response: EdgeResponse,
    clip: Clip | None,
    centre: Float,
    stretch: Float | None = None,
) -> Float | None:
    """Logarithm (n,) of how much wider the blur is at each opening; None where it is even.

    `stretch` is what `fit` was made with; `centre` (n, 2) px.
    """
    count = len(centre)
    told = np.full(count, np.nan)
    sound = np.isfinite(fit.parameters).all(axis=1) & ~fit.poor
    if sound.sum() < _FEWEST:
        return stretch
    sound &= np.arange(count) % max(1, count // _ENOUGH) == 0
    for which, own in _classes(stretch, response, count):
        part = which[sound[which]]
        if len(part):
            told[part] = _wanted(profiles.take(part), fit.parameters[part], own, clip)
    surface = smooth_surface(centre, told, sound)
    low, high = np.percentile(surface[sound], (5, 95))
    scatter = 1.4826 * float(np.nanmedian(np.abs(told - surface)))
    clear = 8 * scatter * np.sqrt(6 / sound.sum())  # the surface has six terms
    if stretch is None and high - low < max(_EVEN, clear):
        return None
    return np.clip(surface + (0.0 if stretch is None else stretch), -_MOST, _MOST)


def _wanted(profiles: Profiles, p: Float, response: EdgeResponse, clip: Clip | None) -> Float:
    """One step (n,) in the logarithm of the blur for each opening by itself."""
    u, w = profiles.distance, profiles.weight
    model, jacobian, _ = model_of(profiles, p, response, clip)
    # ∂F(u/s)/∂ln s = −u F'(u); the derivatives by the edges hold F' with its sign and light.
    shape = sum(jacobian[:, k] * (u - p[:, k, None]) for k in range(4, 8))
    matrix, _ = normal_equations(jacobian, w, profiles.value - model, p)
    cross = np.matmul(jacobian, (w * shape)[..., None])[..., 0]
    bound = np.linalg.solve(matrix, cross[..., None])[..., 0]
    left = np.sum(w * shape**2, axis=1) - np.sum(cross * bound, axis=1)
    score = np.sum(w * shape * (profiles.value - model), axis=1)
    return np.asarray(score / np.maximum(left, 1e-12))
