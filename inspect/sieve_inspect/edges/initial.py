"""A first look at one direction of the cloth: sizes, blur, and whether its openings are square."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.edges.fit import fit_edges
from sieve_inspect.edges.model import SensorRange
from sieve_inspect.edges.parameters import LEVELS, Parameter, middle_of, top_of, width_of
from sieve_inspect.edges.profiles import STEP, Band, gather
from sieve_inspect.edges.response import gaussian_response
from sieve_inspect.edges.shared_response import fit_sigma
from sieve_inspect.edges.starting_values import start_parameters

__all__ = [
    "InitialEstimate",
    "SideShape",
    "across_of",
    "centred",
    "estimate_initial",
    "find_sensor_range",
    "measure_sides",
    "turned",
    "wire_direction",
]

Float = NDArray[np.float64]

_SAMPLE = 250  # openings looked at …
_ROUGH = 100  # … of which so many tell the blur roughly
_NOISE = 0.01  # of a pixel, until it is known
_CLIPPED = 0.002  # share of all pixels at an end of the range
_PLATEAU = 9.0  # blur sigmas
_ASTRAY = 0.04  # share of an opening its place may be off its middle


def _unit(vectors: Float) -> Float:
    return np.asarray(vectors / np.hypot(vectors[..., 0], vectors[..., 1])[..., None])


def wire_direction(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) along the wires that bound the openings in direction `axis`.

    Signed so that across the wires points right (axis 0) or down (axis 1).
    """
    return _unit(vectors[:, 1 - axis]) * (1 if axis == 0 else -1)


def _spacing(vectors: Float, axis: int) -> float:
    """Mean distance of neighbouring wires across direction `axis`, px."""
    along = wire_direction(vectors, axis)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return float(np.median(np.abs((vectors[:, axis] * across).sum(axis=1))))


def across_of(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) across the wires that bound direction `axis`, right or down."""
    along = wire_direction(vectors, axis)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)


@dataclass(frozen=True)
class InitialEstimate:
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
        start[:, LEVELS] = self.amplitude
        start[:, Parameter.FLOOR] = self.floor
        return start


def find_sensor_range(light: NDArray[np.float32]) -> SensorRange | None:
    """The range the sensor clipped to, where it did so to more than a stray pixel."""
    low, high = float(light.min()), float(light.max())
    clipped = float(((light == low) | (light == high)).mean())
    return SensorRange(low, high, _NOISE) if clipped > _CLIPPED else None


def estimate_initial(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    pitch: Float,
    clip: SensorRange | None,
) -> list[InitialEstimate] | None:
    """Sizes in both directions, from a thin band at mid-position; None if no edges show."""
    pick = np.linspace(0, len(centre) - 1, min(_SAMPLE, len(centre))).astype(int)
    looks = []
    for axis in (0, 1):
        spacing = _spacing(vectors, axis)
        band = Band(0.8 * spacing, 0.1 * float(pitch[1 - axis]), STEP)
        along = wire_direction(vectors[pick], axis)
        profiles = gather(light, centre[pick], along, band, beyond=0.6 * spacing)
        start = start_parameters(profiles, spacing)
        width = width_of(start)
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
        astray = float(np.percentile(np.abs(middle_of(start[good])), 90))
        looks.append(
            InitialEstimate(opening, wire, sigma, noise, floor, amplitude, saturated, astray)
        )
    return looks


@dataclass(frozen=True)
class SideShape:
    """What the sides of the openings look like away from mid-position.

    `slope` is how far they run aside per px along (a turn the lattice did not show), `bulge` the
    share of the width that is lost a third of the way to the crossing wires: nothing between
    straight wires, a fifth in round holes.
    """

    slope: float
    bulge: float


def centred(
    light: NDArray[np.float32], centre: Float, vectors: Float, rough: list[InitialEstimate]
) -> Float:
    """Centres (n, 2) moved to the middle between the edges where the lattice was not near it."""
    moved = centre.copy()
    for axis, look in enumerate(rough):
        if look.astray < _ASTRAY * look.opening:
            continue
        spacing = look.opening + look.wire
        band = Band(0.8 * spacing, 0.1 * rough[1 - axis].opening + 0.5, max(STEP, spacing / 80))
        along = wire_direction(vectors, axis)
        start = start_parameters(gather(light, centre, along, band), spacing)
        middle = middle_of(start)
        across = np.stack([along[:, 1], -along[:, 0]], axis=1)
        moved += np.where(np.abs(middle) < 0.3 * spacing, middle, 0)[:, None] * across
    return moved


def measure_sides(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    rough: list[InitialEstimate],
    axis: int,
) -> SideShape:
    """Compare the openings across direction `axis` at both sides of mid-position."""
    pick = np.linspace(0, len(centre) - 1, min(_SAMPLE, len(centre))).astype(int)
    this, other = rough[axis], rough[1 - axis]
    offset = 0.3 * other.opening
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


def turned(vectors: Float, sides: list[SideShape]) -> Float:
    """Local lattice vectors (n, 2, 2) turned until the wires run along them."""
    out = vectors.copy()
    for axis, look in enumerate(sides):
        along = wire_direction(vectors, axis)
        across = np.stack([along[:, 1], -along[:, 0]], axis=1)
        sign = 1 if axis == 0 else -1  # the wire direction of axis 1 is the reversed vector
        length = np.hypot(*vectors[:, 1 - axis].T)[:, None]
        out[:, 1 - axis] += sign * look.slope * length * across
    return out


def _at_limit(start: Float, clip: SensorRange) -> bool:
    """Whether the openings are as bright as anything the sensor can say."""
    return bool(np.median(top_of(start)) > clip.high - 2 * clip.noise)
