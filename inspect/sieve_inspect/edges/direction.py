"""One lattice direction of a picture: the edge response, its change with focus, every width.

The edge response is fitted to a sample of openings, the levels of tight openings to all of them,
and then every opening by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.field_maps import BlurMap, fit_blur_map, fit_by_focus, level_prior
from sieve_inspect.edges.fit import EdgeFit, fit_edges
from sieve_inspect.edges.initial import InitialEstimate, enough_of
from sieve_inspect.edges.model import (
    LevelPrior,
    Parameter,
    SensorRange,
    middle_of,
    model_of,
    start_parameters,
    top_of,
    width_of,
)
from sieve_inspect.edges.profiles import (
    STEP,
    Band,
    Crossing,
    Profiles,
    across_of,
    gather,
    wire_direction,
)
from sieve_inspect.edges.response import EdgeResponse, gaussian_response
from sieve_inspect.edges.shared_response import fit_response
from sieve_inspect.image.light import Light

_SAMPLE = 150  # openings to which the edge response is fitted; more add nothing to it, …
_SAMPLE_TIGHT = 400  # … but where blur and opening are strongly correlated
_LEVELS_FROM = 2000  # openings to which the levels of tight openings are fitted
_TO_FAR_EDGES = 3  # steps until the wires' far edges, whose first places are rough, have settled
_FAITHFUL = 0.03  # share of the light that the pixels of good scans may miss the model by
_ALIKE = 0.1  # of the logarithm of the blur: openings that differ by less are alike in focus
_UNEVEN = 0.1  # share of the spread of the blur over the field that stays in doubt …
_UNEVEN_HIDDEN = 1.5  # … and where half of every edge is beyond the sensor's range
_HIDDEN = 0.03  # px of doubt where one end of every edge is beyond the sensor's range
_OVERSHOOT = 0.01  # share of the step by which neither lens nor noise overshoots …
_OVERSHOOT_TIGHT = 0.04  # … and where openings are too short to show a level
_SHARPEST = 0.07  # px of doubt where edges overshoot most …
_SHARPEN_SCALE = 0.015  # … and the overshoot, as a share of the step, that brings 63 % of it
_BLACK_CLIPPED = 0.12  # px of doubt where a black point was cut off above the wires' own light
_ALL_DARK = 0.5  # share of the wires' middles at the lowest number; by noise a twentieth are


@dataclass(frozen=True, eq=False)
class Axis:
    """Fits across one lattice direction.

    `normal` (n, 2) are unit vectors across the wires; `u_response` (px) is the standard
    uncertainty common to all widths because the edge response is not known exactly; `excess` is
    how far the light at the edges is from that of edges under one blur, as a share of the light of
    an opening. `blur_map` is how the blur varies over the field, None if it does not.
    """

    fit: EdgeFit
    normal: Float
    response: EdgeResponse
    blur_map: BlurMap | None
    u_response: float
    excess: float

    def pack(self, which: Index) -> Axis:
        """Only the openings `which`, ascending, in the same memory, which is overwritten."""
        kept = {f.name: _packed(getattr(self.fit, f.name), which) for f in fields(self.fit)}
        return replace(self, fit=EdgeFit(**kept), normal=_packed(self.normal, which))


def _packed(array: NDArray[Any], which: Index) -> NDArray[Any]:
    array[: len(which)] = array[which]
    return array[: len(which)]


def measure_axis(
    light: Light,
    centre: Float,
    seen: Bool,
    vectors: Float,
    initial: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
) -> tuple[Profiles, Axis]:
    """Measure the width of every opening across one direction.

    `light` (h, w) has its openings bright; `centre` (n, 2) px and local lattice `vectors`
    (n, 2, 2) px of all openings, of which `seen` (n,) show light; `initial` are the estimates of
    both directions, `axis` is 0 for x and 1 for y.
    """
    this = initial[axis]
    fitter = _fitter(light, centre, vectors, initial, clip, axis, None)
    enough = _SAMPLE_TIGHT if this.tight else _SAMPLE
    enough *= 1 + this.saturated
    enough = enough_of(enough, initial[1 - axis].opening)
    result, u_response = _fit_even(fitter, seen, enough)
    blur_map = fitter.blur_map(result, None)
    if blur_map is not None:
        result, blur_map = _fit_uneven(fitter, seen, enough, blur_map)
        spread = float(np.std(blur_map(centre)))
        doubt = _UNEVEN_HIDDEN if this.saturated else _UNEVEN
        u_response = float(np.hypot(u_response, doubt * spread * result.response.sigma))
    fit, response, prior, sample = result
    u_response = float(np.hypot(u_response, _sharpened(response, this.tight)))
    excess = fitter.excess(sample, response, prior)
    own = max(0.0, excess - _FAITHFUL) + this.blend_doubt(response.sigma)
    u_response = float(np.hypot(u_response, own * response.sigma))
    normal = across_of(vectors, axis)
    return fitter.profiles, Axis(fit, normal, response, blur_map, u_response, excess)


class _Result(NamedTuple):
    """Fits of all openings, the response and the levels they assume, and the response's sample."""

    fit: EdgeFit
    response: EdgeResponse
    prior: LevelPrior | None
    sample: Index


def _fit_even(fitter: _Fitter, seen: Bool, enough: int) -> tuple[_Result, float]:
    """Fit all openings under one response; also the standard uncertainty of widths by it, px."""
    sample = _sample(fitter.profiles, fitter.start, seen, enough)
    response, u_response = fitter.response(sample, None)
    prior = fitter.levels(seen, response, None)
    if prior is not None:
        # The levels come from these same pixels: the uncertainty of the response stays.
        response, _ = fitter.response(sample, prior)
    fit = fitter.fit_all(response, prior, None, None)
    return _Result(fit, response, prior, sample), u_response


def _fit_uneven(
    fitter: _Fitter, seen: Bool, enough: int, blur_map: BlurMap
) -> tuple[_Result, BlurMap]:
    """Fit all openings where the blur varies over the field; also the better map of it.

    A response fitted to many blurs is a mixture of them, which no map undoes, so the sample is
    taken anew from openings of alike blur. Levels fitted under one blur contain part of what its
    change does to the edges, so they are fitted again, in turn with the map.
    """
    apart = np.abs(blur_map(fitter.centre))
    alike = seen & (apart <= max(_ALIKE, np.sort(apart)[:enough][-1]))
    sample = _sample(fitter.profiles, fitter.start, alike, enough)
    response, _ = fitter.response(sample, None)
    for _ in range(fitter.estimate.alternations):
        prior = fitter.levels(seen, response, blur_map)
        if prior is not None:
            response, _ = fitter.response(sample, prior)
        fit = fitter.fit_all(response, prior, None, blur_map)
        result = _Result(fit, response, prior, sample)
        blur_map = fitter.blur_map(result, blur_map) or blur_map
    fit = fitter.fit_all(response, prior, None, blur_map)
    return result._replace(fit=fit), blur_map


def _sharpened(response: EdgeResponse, tight: bool) -> float:
    """Doubt, px, where edges overshoot: a driver sharpened stored numbers, which are not light.

    By how much that moved the edges depends on the encoding of these numbers; fitted to what
    unsharp masks of 15 to 60 % did on drawn cloth.
    """
    over = float(max(response.value.max() - 1, -response.value.min()))
    if over < (_OVERSHOOT_TIGHT if tight else _OVERSHOOT):
        return 0.0
    return _SHARPEST * (1 - float(np.exp(-over / _SHARPEN_SCALE)))


def measure_with_response(
    light: Light,
    centre: Float,
    vectors: Float,
    initial: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
    response: EdgeResponse,
    blur_map: BlurMap | None,
    prior: LevelPrior | None,
    limits: tuple[float, float] | None,
) -> EdgeFit:
    """Measure openings where the edge response is known from others of the same scan.

    Arguments as of `measure_axis`; `limits` are misfit and peak from which an opening is fitted
    without its neighbourhood, see `EdgeFit.limits`.
    """
    # The wire is given, for an estimate from these openings would depend on which they are.
    fitter = _fitter(light, centre, vectors, initial, clip, axis, initial[axis].wire)
    return fitter.fit_all(response, prior, limits, blur_map)


def _fitter(
    light: Light,
    centre: Float,
    vectors: Float,
    initial: list[InitialEstimate],
    clip: SensorRange | None,
    axis: int,
    wire: float | None,
) -> _Fitter:
    this, other = initial[axis], initial[1 - axis]
    # Far enough to see the neighbours begin, not so far as to see them end.
    beyond = min(2.5 * this.sigma, 0.35 * this.opening) + 0.5
    reach = 0.5 * this.opening + this.wire + beyond
    band = Band(reach, 0.25 * other.opening, STEP)
    along = wire_direction(vectors, axis)
    crossing = Crossing(other.opening, other.opening + other.wire, other.sigma)
    profiles = gather(light, centre, along, band, crossing, this.opening)
    start = this.with_levels(start_parameters(profiles, this.opening + this.wire, wire))
    if clip is not None:
        clip = replace(clip, noise=max(1e-4, this.noise))
    thin = replace(band, half=0.12 * other.opening)

    def thin_profiles(which: Index) -> Profiles:
        return gather(light, centre[which], along[which], thin, None, this.opening)

    return _Fitter(centre, profiles, start, this, clip, thin_profiles, wire)


@dataclass(frozen=True, eq=False)
class _Fitter:
    """The profiles of one direction at `centre` (n, 2) px, and the starting values of all fits."""

    centre: Float
    profiles: Profiles
    start: Float
    estimate: InitialEstimate
    clip: SensorRange | None
    thin_profiles: Callable[[Index], Profiles]
    wire: float | None  # px, to start from; None takes the median of these openings

    @property
    def rounds(self) -> int:
        """Steps until a fit has settled: one more where pixels reach an end of the range."""
        return self.estimate.rounds + (self.clip is not None and not self.estimate.tight)

    def response(self, sample: Index, prior: LevelPrior | None) -> tuple[EdgeResponse, float]:
        """The edge response and its share in the uncertainty, from some openings."""
        sigma, rounds = self.estimate.sigma, self.rounds
        # A fibre in the sample would bend the response for all.
        chosen, start = self.profiles.take(sample), self.start[sample]
        known = prior.take(sample) if prior is not None else None
        first = fit_edges(chosen, start, gaussian_response(sigma), known, self.clip, rounds)
        sound = np.flatnonzero(~first.poor)
        sample = sample[sound]
        response, u_response = fit_response(
            self.profiles.take(sample),
            first.parameters[sound],
            sigma,
            prior.take(sample) if prior is not None else None,
            self.clip,
            rounds,
            self.estimate.shape_freedom,
            self.estimate.tight,
        )
        hidden = _HIDDEN if self.estimate.saturated or self._floor_clipped() else 0.0
        return response, u_response + (_BLACK_CLIPPED if self._black_clipped(sample) else hidden)

    def _floor_clipped(self) -> bool:
        """Whether the wires are as dark as the lower end of the sensor's range."""
        this, clip = self.estimate, self.clip
        return clip is not None and this.floor < clip.low + 2 * this.noise

    def _black_clipped(self, sample: Index) -> bool:
        """Whether the wires all over lie at the lowest number, without a trace of noise.

        No scanner is free of stray light: light was subtracted, and with it the foot of every
        edge.
        """
        if self.clip is None:
            return False
        few = self.profiles.take(sample)
        pitch = self.estimate.opening + self.estimate.wire
        from_wire = np.abs(np.abs(few.distance) - 0.5 * pitch)
        middle = (from_wire < 0.2 * self.estimate.wire) & (few.weight > 0)
        return bool(middle.any() and (few.value[middle] <= self.clip.low).mean() > _ALL_DARK)

    def blur_map(self, result: _Result, before: BlurMap | None) -> BlurMap | None:
        """The map of the blur by fits made under the map `before`; None where it is even."""
        fits = (self.profiles, result.fit, result.response, self.clip)
        return fit_blur_map(*fits, self.centre, before)

    def levels(
        self, seen: Bool, response: EdgeResponse, blur_map: BlurMap | None
    ) -> LevelPrior | None:
        """Levels expected of each opening from all of them; None where each shows its own."""
        if not self.estimate.tight:
            return None
        some = np.flatnonzero(seen & np.isfinite(self.start).all(axis=1))
        some = some[:: max(1, len(some) // _LEVELS_FROM)]
        focus = blur_map.classes(self.centre[some]) if blur_map is not None else None
        first = self._fit(self.profiles.take(some), self.start[some], response, None, focus)
        sound = np.flatnonzero(~first.poor)
        noise = float(np.median(first.misfit))
        return level_prior(first.take(sound), some[sound], self.centre, noise)

    def excess(self, sample: Index, response: EdgeResponse, prior: LevelPrior | None) -> float:
        """Misfit at the edges beyond that in the middle of the openings, as a share of the light.

        Noise is the same everywhere; shadows, highlights and things other than wires are not.
        """
        chosen, start = self.profiles.take(sample), self.start[sample]
        known = prior.take(sample) if prior is not None else None
        fit = fit_edges(chosen, start, response, known, self.clip, self.rounds)
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

    def fit_all(
        self,
        response: EdgeResponse,
        prior: LevelPrior | None,
        limits: tuple[float, float] | None,
        blur_map: BlurMap | None,
    ) -> EdgeFit:
        """Fit every opening; where the neighbourhood does not fit, fit the opening alone.

        A particle in the next opening, or a fibre across it, does not affect this opening: the
        second fit takes a thinner band, which ends within the wires on both sides.
        """
        focus = blur_map.classes(self.centre) if blur_map is not None else None
        fit = self._fit(self.profiles, self.start, response, prior, focus)
        poor = np.flatnonzero(fit.beyond(limits or fit.limits))
        if not len(poor):
            return fit
        closer = self.thin_profiles(poor)
        spacing = (self.estimate.opening + self.estimate.wire, self.wire)
        again = self.estimate.with_levels(start_parameters(closer, *spacing))
        middle = middle_of(again)
        reach = 0.5 * width_of(again) + 0.6 * self.estimate.wire
        alone = closer.within(middle - reach, middle + reach)
        known = prior.take(poor) if prior is not None else None
        local = focus[poor] if focus is not None else None
        second = self._fit(alone, again, response, known, local)
        fit.overwrite(poor, second.with_wires_of(fit.take(poor)))
        return fit

    def _fit(
        self,
        profiles: Profiles,
        start: Float,
        response: EdgeResponse,
        prior: LevelPrior | None,
        focus: Index | None,
    ) -> EdgeFit:
        """Fit openings, each with the response of its class of blur, number `focus` (n,)."""
        rounds = max(self.rounds, _TO_FAR_EDGES)

        def part(which: Index, own: EdgeResponse) -> EdgeFit:
            known = prior.take(which) if prior is not None else None
            chosen = profiles.take(which)
            return fit_edges(chosen, start[which], own, known, self.clip, rounds)

        if focus is None:
            return fit_edges(profiles, start, response, prior, self.clip, rounds)
        return fit_by_focus(part, focus, response)


def _sample(profiles: Profiles, start: Float, seen: Bool, most: int) -> Index:
    """Openings from which the edge response is taken: uncut, ordinary in level and width."""
    total = profiles.weight.sum(axis=1)
    width, top = width_of(start), top_of(start)
    good = seen & np.isfinite(start).all(axis=1) & (total > 0.98 * np.median(total))
    for value in (width, top):
        middle = np.nanmedian(value[good])
        spread = np.nanmedian(np.abs(value[good] - middle))
        good &= np.abs(value - middle) <= 4 * spread + 1e-9
    which = np.flatnonzero(good)
    return np.random.default_rng(1).permutation(which)[:most]
