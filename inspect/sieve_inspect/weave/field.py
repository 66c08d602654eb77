"""One picture of cloth, measured: every opening with its two widths, its state and its flags."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import NoLatticeError
from sieve_inspect.weave.edge import Clip, EdgeFit, LevelPrior, fit_edges, start_parameters
from sieve_inspect.weave.lattice import Lattice, find_lattice
from sieve_inspect.weave.levels import Levels, level_prior
from sieve_inspect.weave.profiles import Band, Crossing, Profiles, gather
from sieve_inspect.weave.response import EdgeResponse, gaussian_response
from sieve_inspect.weave.shared import fit_response, fit_sigma
from sieve_inspect.weave.states import Neighbourhood, judge_states

__all__ = ["Axis", "Field", "measure_field"]

Float = NDArray[np.float64]

_SAMPLE = 250  # openings that fix the edge response; more would add nothing to it …
_SAMPLE_TIGHT = 800  # … but where blur and opening are hard to tell apart
_CLIPPED = 0.002  # share of all pixels at an end of the range
_PLATEAU = 9.0  # blur sigmas
_STEP = 0.35  # px, bin width across the wires


@dataclass(frozen=True, eq=False)
class Axis:
    """Fits across one lattice direction.

    `normal` (n, 2) are unit vectors across the wires; `u_response` (px) is the uncertainty
    common to all widths from what the edge response leaves open.
    """

    fit: EdgeFit
    normal: Float
    response: EdgeResponse
    u_response: float


@dataclass(frozen=True, eq=False)
class Field:
    """All openings of one picture; arrays over the n openings of the lattice.

    `row`, `column` index the lattice, `centre` (n, 2) is (x, y) in px with pixel centres at
    whole numbers, `axes` the directions x and y, `filled` the dark share of each opening.
    """

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    centre: Float
    axes: tuple[Axis, Axis]
    state: NDArray[np.str_]
    flags: NDArray[np.int64]
    filled: Float
    lattice: Lattice
    pixel_noise: float  # standard deviation of one pixel, in linear light

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Openings whose widths are believed."""
        return np.asarray(self.state == "ok")


def measure_field(light: NDArray[np.float32], name: object = "the picture") -> Field:
    """Measure every opening in a picture (h, w) of linear light. Raises `NoLatticeError`."""
    lattice = find_lattice(light, name)
    if not lattice.bright:
        light = light.max() - light
    known = np.isfinite(lattice.centre[..., 0])
    row, column = np.nonzero(known)
    centre, seen = lattice.centre[known], lattice.seen[known]
    vectors = _local_vectors(row, column, centre, seen)
    rough = _rough_look(light, centre[seen], vectors[seen], lattice.pitch.lengths)
    if rough is None:
        raise NoLatticeError(file=name, reason="the openings have no edges that stand out")
    clip = _clip(light, float(np.mean([look.noise for look in rough])))

    def measured(axis: int) -> tuple[Profiles, Axis]:
        return _measure_axis(light, centre, seen, vectors, rough, clip, axis)

    with ThreadPoolExecutor(2) as pool:  # the directions know nothing of each other
        profiles, axes = zip(*pool.map(measured, (0, 1)), strict=True)
    shift = np.zeros_like(centre)
    for axis in axes:
        middle = axis.fit.middle
        shift += np.where(np.isfinite(middle), middle, 0)[:, None] * axis.normal
    limit = 0.5 * max(look.opening for look in rough)
    centre = centre + np.clip(shift, -limit, limit)
    noise = float(np.sqrt(np.mean([np.nanmedian(a.fit.misfit[seen]) ** 2 for a in axes])))
    x, y = axes
    levels = Levels.from_fits(centre, seen, [a.fit for a in axes])
    hood = Neighbourhood.of(lattice, row, column, vectors, light.shape)
    placed = lattice.centre[known]
    state, flags, filled = judge_states(
        light, (placed, centre), vectors, [a.fit for a in axes], profiles, levels, hood
    )
    return Field(row, column, centre, (x, y), state, flags, filled, lattice, noise)


def _clip(light: NDArray[np.float32], noise: float) -> Clip | None:
    """The range the sensor clipped to, where it did so to more than a stray pixel."""
    low, high = float(light.min()), float(light.max())
    clipped = float(((light == low) | (light == high)).mean())
    return Clip(low, high, max(noise, 1e-4)) if clipped > _CLIPPED else None


def _local_vectors(
    row: NDArray[np.intp], column: NDArray[np.intp], centre: Float, seen: NDArray[np.bool_]
) -> Float:
    """Lattice vectors (n, 2, 2) at every opening, from a smooth map of the whole field.

    Index (opening, direction, xy). A cubic follows bends and lens distortion and is too stiff
    for the unevenness of single wires.
    """
    scale = max(1.0, float(row.max()), float(column.max()))
    c, r = (column - column.mean()) / scale, (row - row.mean()) / scale
    degree = 3 if seen.sum() > 100 else 1
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    design = np.stack([c**i * r**j for i, j in powers], axis=1)
    weight = seen.astype(float)
    for _ in range(3):
        weighted = design * weight[:, None]
        coefficient, *_ = np.linalg.lstsq(weighted, centre * weight[:, None], rcond=None)
        off = np.hypot(*(centre - design @ coefficient).T)
        weight = seen * (off <= 3 * np.median(off[seen]) + 1e-9)
    zero = np.zeros_like(c)
    by_c = np.stack([i * c ** (i - 1) * r**j if i else zero for i, j in powers], axis=1)
    by_r = np.stack([j * c**i * r ** (j - 1) if j else zero for i, j in powers], axis=1)
    return np.stack([by_c @ coefficient, by_r @ coefficient], axis=1) / scale


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
class _Rough:
    """First look at one direction: opening, wire and blur of the edges in px, noise of a pixel."""

    opening: float
    wire: float
    sigma: float
    noise: float

    @property
    def tight(self) -> bool:
        """Whether blur leaves no plateau on which the levels could be read."""
        return self.opening < _PLATEAU * self.sigma or self.wire < 0.7 * _PLATEAU * self.sigma


def _rough_look(
    light: NDArray[np.float32], centre: Float, vectors: Float, pitch: Float
) -> list[_Rough] | None:
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
        ordinary = good[np.abs(width[good] - opening) < 0.3 * opening][:100]
        chosen = profiles.take(ordinary)
        sigma = fit_sigma(chosen, start[ordinary], 1.0, 6)
        fit = fit_edges(chosen, start[ordinary], gaussian_response(sigma))
        noise = float(np.median(fit.misfit))
        looks.append(_Rough(opening, max(spacing - opening, 0.5), sigma, noise))
    return looks


def _measure_axis(
    light: NDArray[np.float32],
    centre: Float,
    seen: NDArray[np.bool_],
    vectors: Float,
    rough: list[_Rough],
    clip: Clip | None,
    axis: int,
) -> tuple[Profiles, Axis]:
    this, other = rough[axis], rough[1 - axis]
    # Far enough to see the neighbours begin, not so far as to see them end.
    beyond = min(2.5 * this.sigma, 0.35 * this.opening) + 0.5
    reach = 0.5 * this.opening + this.wire + beyond
    band = Band(reach, 0.25 * other.opening, _STEP)
    along = _wire_direction(vectors, axis)
    crossing = Crossing(other.opening, other.opening + other.wire, other.sigma)
    profiles = gather(light, centre, along, band, crossing, this.opening)
    start = start_parameters(profiles, this.opening + this.wire)
    fitter = _Fitter(profiles, start, this, clip)
    sample = _sample(profiles, start, seen, _SAMPLE_TIGHT if this.tight else _SAMPLE)
    response, u_response = fitter.response(sample, None)
    prior = None
    if this.tight:
        some = np.flatnonzero(seen & np.isfinite(start).all(axis=1))
        some = some[:: max(1, len(some) // 2000)]
        first = fit_edges(profiles.take(some), start[some], response, None, clip)
        sound = ~first.poor
        prior = level_prior(
            first.take(np.flatnonzero(sound)), some[sound], centre, float(np.median(first.misfit))
        )
        # The levels come from these same pixels: what they left open about the response stays.
        response, _ = fitter.response(sample, prior)
    fit = fitter.all(response, prior)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return profiles, Axis(fit, normal, response, u_response)


@dataclass(frozen=True, eq=False)
class _Fitter:
    """The profiles of one direction with where to start from."""

    profiles: Profiles
    start: Float
    rough: _Rough
    clip: Clip | None

    def response(
        self, sample: NDArray[np.intp], prior: LevelPrior | None
    ) -> tuple[EdgeResponse, float]:
        """The edge response and its share in the uncertainty, from some openings."""
        sigma = self.rough.sigma
        for last in (False, True):
            chosen, start = self.profiles.take(sample), self.start[sample]
            known = prior.take(sample) if prior is not None else None
            response, u_response = fit_response(chosen, start, sigma, known, self.clip)
            if last:
                break
            poor = fit_edges(chosen, start, response, known, self.clip).poor
            if not poor.any():
                break
            sample, sigma = sample[~poor], response.sigma  # a lint would bend it for all
        return response, u_response

    def all(self, response: EdgeResponse, prior: LevelPrior | None) -> EdgeFit:
        """Fit every opening; where the neighbourhood does not fit, look at the opening alone.

        A particle in the next opening, or a lint across it, says nothing against this one: the
        second fit ends within the wires on both sides.
        """
        start = self.start
        fit = fit_edges(self.profiles, start, response, prior, self.clip)
        poor = np.flatnonzero(fit.poor)
        if not len(poor):
            return fit
        middle = 0.5 * (start[poor, 5] + start[poor, 6])
        reach = 0.5 * (start[poor, 6] - start[poor, 5]) + 0.6 * self.rough.wire
        alone = self.profiles.take(poor).within(middle - reach, middle + reach)
        known = prior.take(poor) if prior is not None else None
        return fit.replaced(poor, fit_edges(alone, start[poor], response, known, self.clip))


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
