"""Raw pixels around each opening, sorted by their distance across the wires.

Nothing is resampled: every pixel of the band at mid-position keeps its own value and its own
sub-pixel distance. They are gathered in narrow bins (mean distance, mean value, weight) only so
that a fit has some sixty numbers per opening whatever its size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Float32, Index
from sieve_inspect.edges.normal import ndtr
from sieve_inspect.image.light import Light


def wire_direction(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) along the wires that bound the openings in direction `axis`.

    `vectors` (n, 2, 2) are the local lattice vectors. Signed so that `across_of` points right
    (axis 0) or down (axis 1).
    """
    along = vectors[:, 1 - axis]
    unit = np.asarray(along / np.hypot(along[..., 0], along[..., 1])[..., None])
    return unit * (1 if axis == 0 else -1)


def across_of(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) across the wires that bound direction `axis`, right or down."""
    along = wire_direction(vectors, axis)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)


def spacing_of(vectors: Float, axis: int) -> float:
    """Median distance of neighbouring wires across direction `axis`, px."""
    return float(np.median(np.abs((vectors[:, axis] * across_of(vectors, axis)).sum(axis=1))))


STEP = 0.35  # px, bin width across the wires


@dataclass(frozen=True)
class Band:
    """The parallelogram of pixels gathered, in px: `reach` across, `half` along the wires.

    `step` is the bin width across.
    """

    reach: float
    half: float
    step: float

    @property
    def bins(self) -> int:
        """Number of bins across."""
        return 2 * int(np.ceil(self.reach / self.step))


@dataclass(frozen=True)
class Crossing:
    """The other wires, px: opening between them, their pitch, and the blur of their edges."""

    opening: float
    pitch: float
    sigma: float


@dataclass(frozen=True, eq=False)
class Profiles:
    """Binned profiles of n openings, all arrays (n, bins).

    `distance` px across the wires from the opening's centre, `value` linear light, `weight`
    pixels in the bin (0 where none fell), `gain` share of the opening's light that the blurred
    crossing wires leave there. `beyond` is the assumed width of the neighbouring openings, px;
    their far edges are out of the band and only their blur reaches into it. `step` px is the
    width of the bins.
    """

    distance: Float
    value: Float
    gain: Float
    weight: Float
    step: float
    beyond: float = np.inf

    def take(self, which: Index) -> Profiles:
        """The profiles of some of the openings."""
        names = ("distance", "value", "gain", "weight")
        return replace(self, **{name: getattr(self, name)[which] for name in names})

    def within(self, low: Float, high: Float) -> Profiles:
        """The same without weight outside of `low` to `high` (n,) px."""
        inside = (self.distance >= low[:, None]) & (self.distance <= high[:, None])
        return replace(self, weight=np.where(inside, self.weight, 0))


_AT_ONCE = 1 << 16  # pixels gathered together: their intermediate arrays stay in the cache


def gather(
    light: Light,
    centre: Float,
    along: Float,
    band: Band,
    crossing: Crossing | None = None,
    beyond: float = np.inf,
    chunk: int = _AT_ONCE,
) -> Profiles:
    """Collect the pixels of `light` (h, w) around `centre` (n, 2) px as (x, y).

    `along` (n, 2) are unit vectors along the wires that bound the opening; `crossing` are the
    wires that cross these, `beyond` as in `Profiles`; `chunk` limits the pixels gathered
    together. Pixels outside the picture have no weight.
    """
    count = len(centre)
    sums = np.zeros((4, count, band.bins))
    if count:
        stencil = _stencil(along.mean(axis=0), band)
        gain = _gain_table(band, crossing)
        size = max(1, chunk // len(stencil))
        for first in range(0, count, size):
            part = slice(first, first + size)
            sums[:, part] = _gather_part(light, centre[part], along[part], band, stencil, gain)
    weight, distance, value, gains = sums
    filled = weight > 0
    for total in (distance, value, gains):
        np.divide(total, weight, out=total, where=filled)
    # Seven digits are enough, and half the memory is twice as fast.
    distance, value, gains, weight = np.asarray([distance, value, gains, weight], np.float32)
    return Profiles(distance, value, gains, weight, band.step, beyond)


_GAIN_STEPS = 16  # per px


def _gain_table(band: Band, crossing: Crossing | None) -> Float32:
    """Share of light at distance 0, 1/16, 2/16 … px from mid-position between crossing wires."""
    v = np.arange(int((band.half + 2) * _GAIN_STEPS) + 2) / _GAIN_STEPS
    if crossing is None:
        return np.ones(len(v), np.float32)
    half, sigma = 0.5 * crossing.opening, crossing.sigma
    # A little light comes from the next openings.
    rows = [v + k * crossing.pitch for k in (-1, 0, 1)]
    left = sum(ndtr((r + half) / sigma) - ndtr((r - half) / sigma) for r in rows)
    return np.asarray(left, np.float32)


def _stencil(along: Float, band: Band) -> NDArray[np.int32]:
    """Whole-pixel offsets (m, 2) as (x, y) that can fall into the band, for any sub-pixel phase."""
    along = along / np.hypot(*along)
    across = np.array([along[1], -along[0]])
    extent = int(np.ceil(np.hypot(band.reach, band.half))) + 2
    x, y = np.meshgrid(np.arange(-extent, extent + 1), np.arange(-extent, extent + 1))
    offset = np.stack([x.ravel(), y.ravel()], axis=1)
    spare = 0.71 + 0.02 * extent  # rounding of the centre, and wires a degree off their mean
    inside = (np.abs(offset @ across) <= band.reach + spare) & (
        np.abs(offset @ along) <= band.half + 0.5 + spare
    )
    return np.asarray(offset[inside], np.int32)


def _gather_part(
    light: Light, centre: Float, along: Float, band: Band, stencil: NDArray[np.int32], gain: Float32
) -> Float:
    height, width = light.shape
    count, bins = len(centre), band.bins
    base = np.rint(centre).astype(np.int32)
    rest = base - centre
    # Across points right or down, so that the first edge is the left or upper edge.
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    offset = stencil.T.astype(np.float32)
    u = across.astype(np.float32) @ offset
    u += (rest * across).sum(axis=1, keepdims=True).astype(np.float32)
    v = along.astype(np.float32) @ offset
    v += (rest * along).sum(axis=1, keepdims=True).astype(np.float32)
    # A pixel cut by the band's end counts by its part inside: the mean stays at mid-position.
    np.abs(v, out=v)
    share = np.clip(np.float32(band.half + 0.5) - v, 0, 1)
    v *= _GAIN_STEPS
    v += 0.5
    left = gain.take(v.astype(np.int32), mode="clip")
    slot = ((u + np.float32(band.reach)) * np.float32(1 / band.step)).astype(np.int32)
    share[(u <= -band.reach) | (slot >= bins)] = 0
    np.clip(slot, 0, bins - 1, out=slot)
    x = base[:, :1] + stencil[:, 0]
    y = base[:, 1:] + stencil[:, 1]
    margin = np.abs(stencil).max()
    if base.min() < margin or (base.max(axis=0) >= [width - margin, height - margin]).any():
        share[(x < 0) | (x >= width) | (y < 0) | (y >= height)] = 0
    y *= width
    y += x
    picked = light.ravel().take(y, mode="clip")
    slot += (np.arange(count, dtype=np.int32) * bins)[:, None]
    flat, total = slot.ravel(), count * bins
    sums = [
        np.bincount(flat, w.ravel(), total)
        for w in (share, share * u, share * picked, share * left)
    ]
    return np.asarray(np.stack(sums).reshape(4, count, bins), np.float64)
