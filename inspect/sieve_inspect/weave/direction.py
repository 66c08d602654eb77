"""One lattice direction of a picture: a first look, the edge response, every width."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.edge import (
    Clip,
    EdgeFit,
    LevelPrior,
    fit_edges,
    model_of,
    start_parameters,
)
from sieve_inspect.weave.focus import Stretch, fit_by_focus, local_stretch
from sieve_inspect.weave.levels import level_prior
from sieve_inspect.weave.profiles import Band, Crossing, Profiles, gather
from sieve_inspect.weave.response import EdgeResponse, gaussian_response
from sieve_inspect.weave.shared import fit_response, fit_sigma

__all__ = [
    "Axis",
    "Rough",
    "Sides",
    "across_of",
    "look_at_sides",
    "measure_axis",
    "measure_known",
    "rough_look",
    "sensor_range",
    "settled",
    "turned",
]

Float = NDArray[np.float64]

_SAMPLE = 250  # openings that fix the edge response; more would add nothing to it …
_SAMPLE_TIGHT = 800  # … but where blur and opening are hard to tell apart …
_LONG = 14.0  # px; … and of larger ones fewer, for their edges are longer …
_FEWEST = 80  # … yet so many
_ROUGH = 100  # openings that tell the blur roughly
_NOISE = 0.01  # of a pixel, until it is known
_CLIPPED = 0.002  # share of all pixels at an end of the range
_PLATEAU = 9.0  # blur sigmas
_STEP = 0.35  # px, bin width across the wires
_FAITHFUL = 0.03  # share of the light that the pixels of good scans may miss the model by
_ASTRAY = 0.04  # share of an opening its place may be off its middle
_ALIKE = 0.1  # of the logarithm of the blur: openings with no more apart are alike in focus
_UNEVEN = 0.1  # share of how the blur differs over the field that stays in doubt …
_UNEVEN_HIDDEN = 1.5  # … and where half of every edge is out of sight
_HIDDEN = 0.03  # px of doubt where one end of every edge is brighter or darker than can be said
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
    stretch: Stretch | None
    u_response: float
    excess: float

    def take(self, which: NDArray[np.intp]) -> Axis:
        """The same for some of the openings."""
        return replace(self, fit=self.fit.take(which), normal=self.normal[which])


def _unit(vectors: Float) -> Float:
    return np.asarray(vectors / np.hypot(vectors[..., 0], vectors[..., 1])[..., None])


def _wire_direction(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) along the wires that bound the openings in direction `axis`.

    Signed so that across the wires points right (axis 0) or down (axis 1).
    """
    return _unit(vectors[:, 1 - axis]) * (1 if axis == 0 else -1)


def _spacing(vectors: Float, axis: int) -> float:
    """Mean distance of neighbouring wires across direction `axis`, px."""
    along = _wire_direction(vectors, axis)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return float(np.median(np.abs((vectors[:, axis] * across).sum(axis=1))))


@dataclass(frozen=True)
class Rough:
    """First look at one direction: opening, wire and blur of the edges in px; light; noise.

    `saturated` tells that openings shine brighter than the sensor can say, `astray` (px) how far
    the lattice's places are off the middle of nine openings in ten.
    """

    opening: float
    wire: float
    sigma: float
    noise: float
    floor: float
    amplitude: float
    saturated: bool
    astray: float

    @property
    def tight(self) -> bool:
        """Whether there is no plateau, for blur or saturation, on which levels could be read."""
        short = self.opening < _PLATEAU * self.sigma or self.wire < 0.7 * _PLATEAU * self.sigma
        return short or self.saturated

    @property
    def rounds(self) -> int:
        """Steps until a fit has settled: many where the level hangs on the foot of the edge."""
        return 8 if self.saturated else 3

    @property
    def turns(self) -> int:
        """How often levels and focus are asked in turn: they pull at each other if saturated."""
        return 2 if self.saturated else 1

    @property
    def freedom(self) -> float:
        """How far the response may depart from a Gaussian; half of it is unseen if saturated."""
        return 0.1 if self.saturated else 1.0

    def blended(self, sigma: float) -> float:
        """Doubt, as a share of the blur, where neither wire nor opening shows its own level.

        Light of the wires, light of the openings and blur then stand in for each other. What
        came out on drawn cloth of 2.9 to 5 sigmas of wire and 5 to 10 of opening.
        """
        wire, pitch = self.wire / sigma, (self.wire + self.opening) / sigma
        return float(0.2 * np.exp(min(0.0, 9.5 - pitch + 2 * (3.5 - wire))))

    def lit(self, start: Float) -> Float:
        """Starting parameters (n, 8) with the levels of this look where pixels cannot give them."""
        if not self.saturated:
            return start
        start = start.copy()
        start[:, 0], start[:, 1:4] = self.floor, self.amplitude
        return start


def sensor_range(light: NDArray[np.float32]) -> Clip | None:
    """The range the sensor clipped to, where it did so to more than a stray pixel."""
    low, high = float(light.min()), float(light.max())
    clipped = float(((light == low) | (light == high)).mean())
    return Clip(low, high, _NOISE) if clipped > _CLIPPED else None


def rough_look(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    pitch: Float,
    clip: Clip | None,
) -> list[Rough] | None:
    """Rough sizes in both directions, from a thin band at mid-position; None if no edges show."""
    pick = np.linspace(0, len(centre) - 1, min(_SAMPLE, len(centre))).astype(int)
    looks = []
    for axis in (0, 1):
        spacing = _spacing(vectors, axis)
        band = Band(0.8 * spacing, 0.1 * float(pitch[1 - axis]), _STEP)
        along = _wire_direction(vectors[pick], axis)
        profiles = gather(light, centre[pick], along, band, beyond=0.6 * spacing)
        start = start_parameters(profiles, spacing)
        width = start[:, 6] - start[:, 5]
        good = np.flatnonzero(np.isfinite(start).all(axis=1))
        if len(good) < max(4, 0.3 * len(pick)):
            return None
        opening = float(np.median(width[good]))
        ordinary = good[np.abs(width[good] - opening) < 0.3 * opening]
        ordinary = ordinary[:: -(-len(ordinary) // _ROUGH)]
        chosen = profiles.take(ordinary)
        saturated = clip is not None and _at_limit(start[ordinary], clip)
        rounds = 16 if saturated else 6
        sigma, p = fit_sigma(chosen, start[ordinary], rounds, clip)
        fit = fit_edges(chosen, p, gaussian_response(sigma), None, clip)
        noise = float(np.median(fit.misfit))
        floor, amplitude = float(np.median(fit.floor)), float(np.median(fit.amplitude))
        wire = max(spacing - opening, 0.5)
        astray = float(np.percentile(np.abs(start[good, 5] + start[good, 6]) / 2, 90))
        looks.append(Rough(opening, wire, sigma, noise, floor, amplitude, saturated, astray))
    return looks


@dataclass(frozen=True)
class Sides:
    """What the sides of the openings look like away from mid-position.

    `slope` is how far they run aside per px along (a turn the lattice did not show), `bulge` the
    share of the width that is lost a third of the way to the crossing wires: nothing between
    straight wires, a fifth in round holes.
    """

    slope: float
    bulge: float


def settled(light: NDArray[np.float32], centre: Float, vectors: Float, rough: list[Rough]) -> Float:
    """Centres (n, 2) moved to the middle between the edges where the lattice was not near it."""
    moved = centre.copy()
    for axis, look in enumerate(rough):
        if look.astray < _ASTRAY * look.opening:
            continue
        spacing = look.opening + look.wire
        band = Band(0.8 * spacing, 0.1 * rough[1 - axis].opening + 0.5, max(_STEP, spacing / 80))
        along = _wire_direction(vectors, axis)
        start = start_parameters(gather(light, centre, along, band), spacing)
        middle = 0.5 * (start[:, 5] + start[:, 6])
        across = np.stack([along[:, 1], -along[:, 0]], axis=1)
        moved += np.where(np.abs(middle) < 0.3 * spacing, middle, 0)[:, None] * across
    return moved


def look_at_sides(
    light: NDArray[np.float32], centre: Float, vectors: Float, rough: list[Rough], axis: int
) -> Sides:
    """Compare the openings across direction `axis` at both sides of mid-position."""
    pick = np.linspace(0, len(centre) - 1, min(_SAMPLE, len(centre))).astype(int)
    this, other = rough[axis], rough[1 - axis]
    offset = 0.3 * other.opening
    spacing = this.opening + this.wire
    band = Band(0.8 * spacing, max(0.5, 0.08 * other.opening), _STEP)
    along = _wire_direction(vectors[pick], axis)
    places, widths = [], []
    for shift in (-offset, 0.0, offset):
        profiles = gather(light, centre[pick] + shift * along, along, band)
        start = start_parameters(profiles, spacing)
        places.append(0.5 * (start[:, 5] + start[:, 6]))
        widths.append(start[:, 6] - start[:, 5])
    slope = np.nanmedian((places[2] - places[0]) / (2 * offset))
    lost = np.nanmedian(widths[1] - 0.5 * (widths[0] + widths[2])) / this.opening
    return Sides(float(slope), float(lost))


def turned(vectors: Float, sides: list[Sides]) -> Float:
    """Local lattice vectors (n, 2, 2) turned until the wires run along them."""
    out = vectors.copy()
    for axis, look in enumerate(sides):
        along = _wire_direction(vectors, axis)
        across = np.stack([along[:, 1], -along[:, 0]], axis=1)
        sign = 1 if axis == 0 else -1  # the wire direction of axis 1 is the reversed vector
        length = np.hypot(*vectors[:, 1 - axis].T)[:, None]
        out[:, 1 - axis] += sign * look.slope * length * across
    return out


def _at_limit(start: Float, clip: Clip) -> bool:
    """Whether the openings are as bright as anything the sensor can say."""
    return bool(np.median(start[:, 0] + start[:, 1]) > clip.high - 2 * clip.noise)


def measure_axis(
    light: NDArray[np.float32],
    centre: Float,
    seen: NDArray[np.bool_],
    vectors: Float,
    rough: list[Rough],
    clip: Clip | None,
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
    stretch = local_stretch(profiles, fit, response, clip, centre)
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
            stretch = local_stretch(profiles, fit, response, clip, centre, stretch) or stretch
        fit = fitter.all(response, prior, None, stretch.classes(centre))
        spread = float(np.std(stretch(centre)))
        doubt = _UNEVEN_HIDDEN if this.saturated else _UNEVEN
        u_response = float(np.hypot(u_response, doubt * spread * response.sigma))
    excess = fitter.excess(sample, response, prior)
    own = max(0.0, excess - _FAITHFUL) + this.blended(response.sigma)
    u_response = float(np.hypot(u_response, own * response.sigma))
    return profiles, Axis(fit, across_of(vectors, axis), response, stretch, u_response, excess)


def across_of(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) across the wires that bound direction `axis`, right or down."""
    along = _wire_direction(vectors, axis)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)


def measure_known(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    rough: list[Rough],
    clip: Clip | None,
    axis: int,
    response: EdgeResponse,
    stretch: Stretch | None,
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
    rough: list[Rough],
    clip: Clip | None,
    axis: int,
    wire: float | None,
) -> _Fitter:
    this, other = rough[axis], rough[1 - axis]
    # Far enough to see the neighbours begin, not so far as to see them end.
    beyond = min(2.5 * this.sigma, 0.35 * this.opening) + 0.5
    reach = 0.5 * this.opening + this.wire + beyond
    band = Band(reach, 0.25 * other.opening, _STEP)
    along = _wire_direction(vectors, axis)
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
    rough: Rough
    clip: Clip | None
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
        stretch: Stretch | None,
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
        first, second = fit.parameters[:, 5, None] + clear, fit.parameters[:, 6, None] - clear
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
        middle = 0.5 * (again[:, 5] + again[:, 6])
        reach = 0.5 * (again[:, 6] - again[:, 5]) + 0.6 * self.rough.wire
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
    width, top = start[:, 6] - start[:, 5], start[:, 0] + start[:, 1]
    good = seen & np.isfinite(start).all(axis=1) & (total > 0.98 * np.median(total))
    for value in (width, top):
        middle = np.nanmedian(value[good])
        spread = np.nanmedian(np.abs(value[good] - middle))
        good &= np.abs(value - middle) <= 4 * spread + 1e-9
    which = np.flatnonzero(good)
    return np.random.default_rng(1).permutation(which)[:most]
