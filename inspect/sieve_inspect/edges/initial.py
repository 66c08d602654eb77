"""Initial estimates of each direction: sizes, blur, noise, and the shape of the openings' sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Float32, Index
from sieve_inspect.edges.fit import fit_edges
from sieve_inspect.edges.model import (
    LEVELS,
    Parameter,
    SensorRange,
    middle_of,
    start_parameters,
    top_of,
    width_of,
)
from sieve_inspect.edges.profiles import STEP, Band, across_of, gather, spacing_of, wire_direction
from sieve_inspect.edges.response import gaussian_response
from sieve_inspect.edges.shared_response import fit_sigma
from sieve_inspect.image.light import Light

_SAMPLE = 250  # openings examined …
_FITTED = 100  # … of which so many give the blur
_LONG = 14.0  # px; of openings larger than this fewer are enough, for their edges are longer, …
_FEWEST_LONG = 40  # … yet so many
_FEWEST, _FEWEST_SHARE = 4, 0.3  # openings with edges, and their share of those examined
_ORDINARY = 0.3  # share of the median width by which an ordinary opening may differ from it
_NOISE = 0.01  # of a pixel, in linear light, until it is known
_CLIPPED = 0.002  # share of all pixels at an end of the range
_PLATEAU = 9.0  # blur sigmas of opening, and 0.7 of that of wire, that show a level of their own
_OFF_CENTRE = 0.04  # share of an opening its nominal centre may be off its middle
_OPEN = 0.6  # of the pitch, until the opening is known
_SIDES_AT = 0.3  # of the opening along the wires, to both sides of mid-position


@dataclass(frozen=True)
class InitialEstimate:
    """First estimate of one direction: opening, wire and Gaussian blur `sigma` in px.

    `noise` is that of one pixel, `floor` the light of the wires, `amplitude` that of openings
    above it, in linear light. `saturated` is true where openings are brighter than the sensor's
    range; `off_centre` (px) is how far nine in ten of the nominal centres are at most off the
    middle between the edges.
    """

    opening: float
    wire: float
    sigma: float
    noise: float
    floor: float
    amplitude: float
    saturated: bool
    off_centre: float

    @property
    def tight(self) -> bool:
        """Whether blur or saturation leaves no plateau on which levels could be read."""
        short = self.opening < _PLATEAU * self.sigma or self.wire < 0.7 * _PLATEAU * self.sigma
        return short or self.saturated

    @property
    def rounds(self) -> int:
        """Steps until a fit has settled: many where the level depends on the foot of the edge."""
        return 8 if self.saturated else 3 if self.tight else 2

    @property
    def alternations(self) -> int:
        """How often levels and blur are fitted in turn: they are correlated if saturated."""
        return 2 if self.saturated else 1

    @property
    def shape_freedom(self) -> float:
        """How far the edge response may depart from a Gaussian; half of it is cut if saturated."""
        return 0.1 if self.saturated else 1.0

    def blend_doubt(self, sigma: float) -> float:
        """Doubt, as a share of the blur, where neither wire nor opening shows its own level.

        Light of the wires, light of the openings and blur then compensate each other. Fitted to
        the errors on drawn cloth of 2.9 to 5 sigmas of wire and 5 to 10 of opening.
        """
        wire, pitch = self.wire / sigma, (self.wire + self.opening) / sigma
        return float(0.2 * np.exp(min(0.0, 9.5 - pitch + 2 * (3.5 - wire))))

    def with_levels(self, start: Float) -> Float:
        """Starting values (n, 8) with the levels of this estimate where pixels are saturated."""
        if not self.saturated:
            return start
        start = start.copy()
        start[:, LEVELS] = self.amplitude
        start[:, Parameter.FLOOR] = self.floor
        return start


def enough_of(count: int, opening: float) -> int:
    """Of how many openings of `opening` px the edges show what those of `count` small ones do."""
    return min(count, max(_FEWEST_LONG, int(count * min(1.0, _LONG / opening))))


def find_sensor_range(light: Float32) -> SensorRange | None:
    """The range the sensor clipped to, where it did so to more than a stray pixel."""
    low, high = float(light.min()), float(light.max())
    clipped = float(((light == low) | (light == high)).mean())
    return SensorRange(low, high, _NOISE) if clipped > _CLIPPED else None


def estimate_initial(
    light: Light, centre: Float, vectors: Float, pitch: Float, clip: SensorRange | None
) -> list[InitialEstimate] | None:
    """Estimates of both directions, from a thin band at mid-position; None without edges.

    `centre` (n, 2) px and local lattice `vectors` (n, 2, 2) px of openings; `pitch` (2,) px.
    """
    pick = _picked(len(centre), _OPEN * float(pitch.min()))
    estimates = []
    for axis in (0, 1):
        spacing = spacing_of(vectors, axis)
        band = Band(0.8 * spacing, 0.1 * float(pitch[1 - axis]), STEP)
        along = wire_direction(vectors[pick], axis)
        profiles = gather(light, centre[pick], along, band, beyond=0.6 * spacing)
        start = start_parameters(profiles, spacing)
        width = width_of(start)
        good = np.flatnonzero(np.isfinite(start).all(axis=1))
        if len(good) < max(_FEWEST, _FEWEST_SHARE * len(pick)):
            return None
        opening = float(np.median(width[good]))
        ordinary = good[np.abs(width[good] - opening) < _ORDINARY * opening]
        ordinary = ordinary[:: -(-len(ordinary) // enough_of(_FITTED, opening))]
        chosen = profiles.take(ordinary)
        top = float(np.median(top_of(start[ordinary])))
        saturated = clip is not None and top > clip.high - 2 * clip.noise
        rounds = 16 if saturated else 6
        sigma, p = fit_sigma(chosen, start[ordinary], rounds, clip)
        fit = fit_edges(chosen, p, gaussian_response(sigma), None, clip)
        estimates.append(
            InitialEstimate(
                opening,
                wire=max(spacing - opening, 0.5),
                sigma=sigma,
                noise=float(np.median(fit.misfit)),
                floor=float(np.median(fit.floor)),
                amplitude=float(np.median(fit.amplitude)),
                saturated=saturated,
                off_centre=float(np.percentile(np.abs(middle_of(start[good])), 90)),
            )
        )
    return estimates


def _picked(count: int, opening: float) -> Index:
    """Numbers of the openings examined, evenly from all."""
    return np.linspace(0, count - 1, min(enough_of(_SAMPLE, opening), count)).astype(int)


def centred(light: Light, centre: Float, vectors: Float, initial: list[InitialEstimate]) -> Float:
    """Centres (n, 2) px moved to the middle between the edges where the lattice was off it."""
    moved = centre.copy()
    for axis, estimate in enumerate(initial):
        if estimate.off_centre < _OFF_CENTRE * estimate.opening:
            continue
        spacing = estimate.opening + estimate.wire
        half = 0.1 * initial[1 - axis].opening + 0.5
        band = Band(0.8 * spacing, half, max(STEP, spacing / 80))
        profiles = gather(light, centre, wire_direction(vectors, axis), band)
        middle = middle_of(start_parameters(profiles, spacing))
        near = np.where(np.abs(middle) < 0.3 * spacing, middle, 0)
        moved += near[:, None] * across_of(vectors, axis)
    return moved


@dataclass(frozen=True)
class SideShape:
    """The sides of the openings away from mid-position.

    `slope` is how far they run aside per px along (a rotation the lattice did not show), `bulge`
    the share of the width that is lost a third of the way to the crossing wires: nothing between
    straight wires, a fifth in round holes.
    """

    slope: float
    bulge: float


def measure_sides(
    light: Light, centre: Float, vectors: Float, initial: list[InitialEstimate], axis: int
) -> SideShape:
    """Compare the openings across direction `axis` at both sides of mid-position."""
    this, other = initial[axis], initial[1 - axis]
    pick = _picked(len(centre), this.opening)
    offset = _SIDES_AT * other.opening
    spacing = this.opening + this.wire
    band = Band(0.8 * spacing, max(0.5, 0.08 * other.opening), STEP)
    along = wire_direction(vectors[pick], axis)
    places, widths = [], []
    for shift in (-offset, 0.0, offset):
        profiles = gather(light, centre[pick] + shift * along, along, band)
        start = start_parameters(profiles, spacing)
        places.append(middle_of(start))
        widths.append(width_of(start))
    slope = np.nanmedian((places[2] - places[0]) / (2 * offset))
    lost = np.nanmedian(widths[1] - 0.5 * (widths[0] + widths[2])) / this.opening
    return SideShape(float(slope), float(lost))


def aligned_to_sides(vectors: Float, sides: list[SideShape]) -> Float:
    """Local lattice vectors (n, 2, 2) rotated until the wires run along them."""
    out = vectors.copy()
    for axis, side in enumerate(sides):
        across = across_of(vectors, axis)
        sign = 1 if axis == 0 else -1  # the wire direction of axis 1 is the reversed vector
        length = np.hypot(*vectors[:, 1 - axis].T)[:, None]
        out[:, 1 - axis] += sign * side.slope * length * across
    return out
