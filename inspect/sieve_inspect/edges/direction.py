"""One lattice direction of a picture: the edge response, its change with focus, every width."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.fit import EdgeFit, fit_edges
from sieve_inspect.edges.focus import BlurMap, fit_blur_map, fit_by_focus
from sieve_inspect.edges.initial import InitialEstimate, across_of, wire_direction
from sieve_inspect.edges.levels import level_prior
from sieve_inspect.edges.model import LevelPrior, SensorRange, model_of
from sieve_inspect.edges.parameters import Parameter, middle_of, top_of, width_of
from sieve_inspect.edges.profiles import STEP, Band, Crossing, Profiles, gather
from sieve_inspect.edges.response import EdgeResponse, gaussian_response
from sieve_inspect.edges.shared_response import fit_response
from sieve_inspect.edges.starting_values import start_parameters

__all__ = ["Axis", "measure_axis", "measure_with_response"]

Float = NDArray[np.float64]

_SAMPLE = 250  # openings that fix the edge response; more would add nothing to it …
_SAMPLE_TIGHT = 800  # … but where blur and opening are hard to tell apart …
_LONG = 14.0  # px; … and of larger ones fewer, for their edges are longer …
_FEWEST = 80  # … yet so many
_FAITHFUL = 0.03  # share of the light that the pixels of good scans may miss the model by
_ALIKE = 0.1  # of the logarithm of the blur: openings with no more apart are alike in focus
_UNEVEN = 0.1  # share of how the blur differs over the field that stays in doubt …
_UNEVEN_HIDDEN = 1.5  # … and where half of every edge is out of sight
_HIDDEN = 0.03  # px of doubt where one end of every edge is brighter or darker than can be said
_OVERSHOOT = 0.01  # share of the step; what no lens does and noise does not reach …
_OVERSHOOT_TIGHT = 0.04  # … nor where openings are too short to show a level
_SHARPEST = 0.07  # px of doubt where edges overshoot
_SUNK = 0.12  # px of doubt where a black point was cut off above the wires' own light
_ALL_DARK = 0.5  # share of the wires' middles; noise about true black leaves a twentieth of them so


@dataclass(frozen=True, eq=False)
class Axis:
    """Fits across one lattice direction.

    `normal` (n, 2) are unit vectors across the wires; `u_response` (px) is the uncertainty
    common to all widths from what the edge response leaves open; `excess` is how far the light at
    the edges is from that of edges under one blur, as a share of the light of an opening.
    `stretch` tells how the blur varies over the field, None if it does not.
    """

    fit: EdgeFit
    normal: Float
    response: EdgeResponse
    stretch: BlurMap | None
    u_response: float
    excess: float

    def pack(self, which: NDArray[np.intp]) -> Axis:
        """Only the openings `which`, ascending, in the same memory: this one is used up by it."""
        kept = {f.name: _packed(getattr(self.fit, f.name), which) for f in fields(self.fit)}
        return replace(self, fit=EdgeFit(**kept), normal=_packed(self.normal, which))


def _packed(array: NDArray[Any], which: NDArray[np.intp]) -> NDArray[Any]:
    array[: len(which)] = array[which]
    return array[: len(which)]


def measure_axis(
    light: NDArray[np.float32],
    centre: Float,
    seen: NDArray[np.bool_],
    vectors: Float,
    rough: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
) -> tuple[Profiles, Axis]:
    """Measure the width of every opening across one direction.

    `centre` (n, 2) px and local lattice `vectors` (n, 2, 2) of all openings, of which `seen` (n,)
    show light.
    """
    this = rough[axis]
    fitter = _fitter(light, centre, vectors, rough, clip, axis, None)
    profiles, start, clip = fitter.profiles, fitter.start, fitter.clip
    enough = _SAMPLE_TIGHT if this.tight else _SAMPLE
    enough = max(_FEWEST, int(enough * min(1.0, _LONG / rough[1 - axis].opening)))
    sample = _sample(profiles, start, seen, enough)
    response, u_response = fitter.response(sample, None)
    prior = fitter.levels(centre, seen, response, None)
    if prior is not None:
        # The levels come from these same pixels: what they left open about the response stays.
        response, _ = fitter.response(sample, prior)
    fit = fitter.all(response, prior, None)
    stretch = fit_blur_map(profiles, fit, response, clip, centre)
    if stretch is not None:
        # A response fitted to many blurs is a mixture of them, which no stretch undoes; levels
        # fitted under one blur hold part of what its change does to the edges.
        apart = np.abs(stretch(centre))
        alike = seen & (apart <= max(_ALIKE, np.sort(apart)[:enough][-1]))
        sample = _sample(profiles, start, alike, enough)
        response, _ = fitter.response(sample, None)
        for _ in range(this.turns):
            prior = fitter.levels(centre, seen, response, stretch)
            if prior is not None:
                response, _ = fitter.response(sample, prior)
            fit = fitter.all(response, prior, None, stretch.classes(centre))
            stretch = fit_blur_map(profiles, fit, response, clip, centre, stretch) or stretch
        fit = fitter.all(response, prior, None, stretch.classes(centre))
        spread = float(np.std(stretch(centre)))
        doubt = _UNEVEN_HIDDEN if this.saturated else _UNEVEN
        u_response = float(np.hypot(u_response, doubt * spread * response.sigma))
    u_response = float(np.hypot(u_response, _sharpened(response, this.tight)))
    excess = fitter.excess(sample, response, prior)
    own = max(0.0, excess - _FAITHFUL) + this.blended(response.sigma)
    u_response = float(np.hypot(u_response, own * response.sigma))
    return profiles, Axis(fit, across_of(vectors, axis), response, stretch, u_response, excess)


def _sharpened(response: EdgeResponse, tight: bool) -> float:
    """Doubt, px, where edges overshoot: a driver sharpened, and in numbers that are not light.

    By how much it moved the edges depends on which numbers; what masks of 15 to 60 % moved them.
    """
    over = float(max(response.value.max() - 1, -response.value.min()))
    if over < (_OVERSHOOT_TIGHT if tight else _OVERSHOOT):
        return 0.0
    return _SHARPEST * (1 - float(np.exp(-over / 0.015)))


def measure_with_response(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    rough: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
    response: EdgeResponse,
    stretch: BlurMap | None,
    prior: LevelPrior | None,
    limits: tuple[float, float] | None,
) -> tuple[Profiles, EdgeFit]:
    """Measure openings (n, 2) where the edge response is known from others of the same scan.

    `limits` are misfit and peak from which an opening is looked at alone; see `EdgeFit.limits`.
    """
    # What these openings say of the wire would depend on which they are.
    fitter = _fitter(light, centre, vectors, rough, clip, axis, rough[axis].wire)
    focus = stretch.classes(centre) if stretch is not None else None
    return fitter.profiles, fitter.all(response, prior, limits, focus)


def _fitter(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    rough: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
    wire: float | None,
) -> _Fitter:
    this, other = rough[axis], rough[1 - axis]
    # Far enough to see the neighbours begin, not so far as to see them end.
    beyond = min(2.5 * this.sigma, 0.35 * this.opening) + 0.5
    reach = 0.5 * this.opening + this.wire + beyond
    band = Band(reach, 0.25 * other.opening, STEP)
    along = wire_direction(vectors, axis)
    crossing = Crossing(other.opening, other.opening + other.wire, other.sigma)
    profiles = gather(light, centre, along, band, crossing, this.opening)
    start = this.lit(start_parameters(profiles, this.opening + this.wire, wire))
    if clip is not None:
        clip = replace(clip, noise=max(1e-4, this.noise))
    thin = replace(band, half=0.12 * other.opening)

    def once_more(which: NDArray[np.intp]) -> Profiles:
        return gather(light, centre[which], along[which], thin, None, this.opening)

    return _Fitter(profiles, start, this, clip, once_more, wire)


@dataclass(frozen=True, eq=False)
class _Fitter:
    """The profiles of one direction with where to start from."""

    profiles: Profiles
    start: Float
    rough: InitialEstimate
    clip: SensorRange | None
    once_more: Callable[[NDArray[np.intp]], Profiles]
    wire: float | None  # px, to start from; None is what these openings say of it

    def response(
        self, sample: NDArray[np.intp], prior: LevelPrior | None
    ) -> tuple[EdgeResponse, float]:
        """The edge response and its share in the uncertainty, from some openings."""
        sigma, rounds = self.rough.sigma, self.rough.rounds
        # A lint in the sample would bend the response for all.
        chosen, start = self.profiles.take(sample), self.start[sample]
        known = prior.take(sample) if prior is not None else None
        plain = gaussian_response(sigma)
        sample = sample[~fit_edges(chosen, start, plain, known, self.clip, rounds).poor]
        response, u_response = fit_response(
            self.profiles.take(sample),
            self.start[sample],
            sigma,
            prior.take(sample) if prior is not None else None,
            self.clip,
            rounds,
            self.rough.freedom,
            self.rough.tight,
        )
        buried = self.clip is not None and self.rough.floor < self.clip.low + 2 * self.rough.noise
        hidden = _HIDDEN if self.rough.saturated or buried else 0.0
        return response, u_response + (_SUNK if self._sunk(sample) else hidden)

    def _sunk(self, sample: NDArray[np.intp]) -> bool:
        """Whether wires are as dark as can be said all over, without a trace of noise.

        No scanner is free of stray light: something was taken off, and with it the foot of every
        edge.
        """
        if self.clip is None:
            return False
        few = self.profiles.take(sample)
        from_wire = np.abs(np.abs(few.distance) - 0.5 * (self.rough.opening + self.rough.wire))
        middle = (from_wire < 0.2 * self.rough.wire) & (few.weight > 0)
        return bool(middle.any() and (few.value[middle] <= self.clip.low).mean() > _ALL_DARK)

    def levels(
        self,
        centre: Float,
        seen: NDArray[np.bool_],
        response: EdgeResponse,
        stretch: BlurMap | None,
    ) -> LevelPrior | None:
        """What all openings say of the levels of each; None where each can say it for itself."""
        if not self.rough.tight:
            return None
        some = np.flatnonzero(seen & np.isfinite(self.start).all(axis=1))
        some = some[:: max(1, len(some) // 2000)]
        focus = stretch.classes(centre[some]) if stretch is not None else None
        first = self._fit(self.profiles.take(some), self.start[some], response, None, focus)
        sound = np.flatnonzero(~first.poor)
        noise = float(np.median(first.misfit))
        return level_prior(first.take(sound), some[sound], centre, noise)

    def excess(
        self, sample: NDArray[np.intp], response: EdgeResponse, prior: LevelPrior | None
    ) -> float:
        """Misfit at the edges beyond that in the middle of the openings, as a share of the light.

        Noise is the same everywhere; shadows, highlights and wires that are no wires are not.
        """
        chosen, start = self.profiles.take(sample), self.start[sample]
        known = prior.take(sample) if prior is not None else None
        fit = fit_edges(chosen, start, response, known, self.clip, self.rough.rounds)
        model, _, _ = model_of(chosen, fit.parameters, response, self.clip)
        square = chosen.weight * (chosen.value - model) ** 2
        clear = 2 * response.sigma
        first = fit.parameters[:, Parameter.FIRST_EDGE, None] + clear
        second = fit.parameters[:, Parameter.SECOND_EDGE, None] - clear
        inside = (chosen.distance > first) & (chosen.distance < second) & (chosen.weight > 0)
        outside = ~inside & (chosen.weight > 0)
        if inside.sum() < 50:
            return 0.0
        extra = float(np.mean(square[outside]) - np.mean(square[inside]))
        return float(np.sqrt(max(extra, 0.0)) / np.abs(np.median(fit.amplitude)))

    def all(
        self,
        response: EdgeResponse,
        prior: LevelPrior | None,
        limits: tuple[float, float] | None,
        focus: NDArray[np.intp] | None = None,
    ) -> EdgeFit:
        """Fit every opening; where the neighbourhood does not fit, look at the opening alone.

        `focus` (n,) numbers classes of alike blur.

        A particle in the next opening, or a lint across it, says nothing against this one: the
        second look is at a thinner band and ends within the wires on both sides.
        """
        fit = self._fit(self.profiles, self.start, response, prior, focus)
        poor = np.flatnonzero(fit.beyond(limits or fit.limits))
        if not len(poor):
            return fit
        closer = self.once_more(poor)
        spacing = (self.rough.opening + self.rough.wire, self.wire)
        again = self.rough.lit(start_parameters(closer, *spacing))
        middle = middle_of(again)
        reach = 0.5 * width_of(again) + 0.6 * self.rough.wire
        alone = closer.within(middle - reach, middle + reach)
        known = prior.take(poor) if prior is not None else None
        local = focus[poor] if focus is not None else None
        second = self._fit(alone, again, response, known, local)
        return fit.replaced(poor, second.with_wires_of(fit.take(poor)))

    def _fit(
        self,
        profiles: Profiles,
        start: Float,
        response: EdgeResponse,
        prior: LevelPrior | None,
        focus: NDArray[np.intp] | None,
    ) -> EdgeFit:
        """Fit openings, each with the response as its own focus has it; see `focus`."""

        def part(which: NDArray[np.intp], own: EdgeResponse) -> EdgeFit:
            known = prior.take(which) if prior is not None else None
            chosen = profiles.take(which)
            return fit_edges(chosen, start[which], own, known, self.clip, self.rough.rounds)

        if focus is None:
            return fit_edges(profiles, start, response, prior, self.clip, self.rough.rounds)
        return fit_by_focus(part, focus, response)


def _sample(
    profiles: Profiles, start: Float, seen: NDArray[np.bool_], most: int
) -> NDArray[np.intp]:
    """Openings fit to tell the edge response: whole, seen, ordinary in level and width."""
    total = profiles.weight.sum(axis=1)
    width, top = width_of(start), top_of(start)
    good = seen & np.isfinite(start).all(axis=1) & (total > 0.98 * np.median(total))
    for value in (width, top):
        middle = np.nanmedian(value[good])
        spread = np.nanmedian(np.abs(value[good] - middle))
        good &= np.abs(value - middle) <= 4 * spread + 1e-9
    which = np.flatnonzero(good)
    return np.random.default_rng(1).permutation(which)[:most]
