"""Telling sound openings from blocked, torn, cut and unclear ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.edge import EdgeFit
from sieve_inspect.weave.flags import Flag, State
from sieve_inspect.weave.lattice import Lattice
from sieve_inspect.weave.profiles import Profiles

__all__ = ["Levels", "Neighbourhood", "judge_states"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_DARK = 0.6  # of the light of an opening; below it a pixel counts as covered
_FILLED = 0.06  # share of an opening's inner area that may be dark without a word
_INSIDE = 0.35  # px a corner may lie beyond the outermost pixel centres; its pixel ends at 0.5
_MISFIT = 4.0  # times the noise of a pixel


@dataclass(frozen=True, eq=False)
class Levels:
    """Light of wires (`floor`) and of openings (`top`) expected at every opening, (n,)."""

    floor: Float
    top: Float

    @classmethod
    def from_fits(cls, centre: Float, seen: Bool, fits: Sequence[EdgeFit]) -> Levels:
        """Smooth over the field what the fits of single openings found."""
        floor = np.mean([f.floor for f in fits], axis=0)  # NaN unless both directions fitted
        top = floor + np.mean([f.amplitude for f in fits], axis=0)
        return cls(_smooth(centre, floor, seen), _smooth(centre, top, seen))


def _smooth(centre: Float, value: Float, seen: Bool) -> Float:
    """A robust quadratic surface through `value` (n,), evaluated at every `centre` (n, 2)."""
    z = (centre - centre.mean(axis=0)) / max(1.0, float(np.ptp(centre, axis=0).max()))
    x, y = z.T
    many = seen.sum() > 60
    columns = [np.ones_like(x), x, y] + ([x * x, x * y, y * y] if many else [])
    design = np.stack(columns, axis=1)
    weight = (seen & np.isfinite(value)).astype(float)
    target = np.where(np.isfinite(value), value, 0)
    surface = np.full(len(x), np.nan)
    for _ in range(4):
        coefficient, *_ = np.linalg.lstsq(design * weight[:, None], target * weight, rcond=None)
        surface = design @ coefficient
        off = np.abs(target - surface)
        weight = weight * (off <= 4 * np.median(off[weight > 0]) + 1e-9)
    return surface


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """Which of an opening's neighbours exist: `of` (n, 4) indices right, left, below, above; -1."""

    index: NDArray[np.intp]

    @classmethod
    def of(cls, lattice: Lattice, row: NDArray[np.intp], column: NDArray[np.intp]) -> Neighbourhood:
        """Look the neighbours up on the lattice's grid."""
        rows, columns = lattice.seen.shape
        grid = np.full((rows + 2, columns + 2), -1, np.intp)
        grid[row + 1, column + 1] = np.arange(len(row))
        moves = ((0, 1), (0, -1), (1, 0), (-1, 0))
        return cls(np.stack([grid[row + 1 + r, column + 1 + c] for r, c in moves], axis=1))

    @property
    def surrounded(self) -> Bool:
        """Whether all four exist."""
        return np.asarray((self.index >= 0).all(axis=1))


def judge_states(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    fits: Sequence[EdgeFit],
    profiles: Sequence[Profiles],
    levels: Levels,
    hood: Neighbourhood,
    noise: float,
) -> tuple[NDArray[np.str_], NDArray[np.int64], Float]:
    """State, flags and dark share (0..1) of every opening; see `flags` for their meaning."""
    count = len(centre)
    flags = np.zeros(count, np.int64)
    size = np.array([np.nanmedian(f.width) for f in fits])
    spread = np.array([1.4826 * _mad(f.width) for f in fits])
    found = np.isfinite(fits[0].width) & np.isfinite(fits[1].width)
    flags[~found] |= Flag.NO_EDGE
    flags[_cut(light.shape, centre, vectors, fits, size)] |= Flag.BORDER
    filled = _dark_share(light, centre, vectors, size, spread, levels)
    flags[filled > _FILLED] |= Flag.FILLED
    for fit in fits:
        flags[fit.misfit > _MISFIT * noise + 0.01 * (levels.top - levels.floor)] |= Flag.MISFIT
    for axis, (fit, profile) in enumerate(zip(fits, profiles, strict=True)):
        before, after = _wire_missing(fit, profile, levels)
        flags[before | after] |= Flag.WIRE_MISSING
        _pass_on(flags, hood.index[:, 2 * axis], after)
        _pass_on(flags, hood.index[:, 2 * axis + 1], before)
        odd = fit.width > size[axis] + 8 * spread[axis] + 0.05 * size[axis]
        flags[odd] |= Flag.OVERSIZE
    return _states(flags, hood), flags, filled


def _states(flags: NDArray[np.int64], hood: Neighbourhood) -> NDArray[np.str_]:
    """The gravest reason decides; at the cloth's rim what looks damaged is cut, not damaged."""
    state = np.full(len(flags), State.OK.value, dtype="U8")
    state[(flags & (Flag.MISFIT | Flag.NO_EDGE)) > 0] = State.UNCLEAR
    state[(flags & Flag.FILLED) > 0] = State.BLOCKED
    state[(flags & Flag.WIRE_MISSING) > 0] = State.TORN
    state[(state != State.OK) & ~hood.surrounded] = State.PARTIAL
    state[(flags & Flag.BORDER) > 0] = State.PARTIAL
    return state


def _mad(value: Float) -> float:
    return float(np.nanmedian(np.abs(value - np.nanmedian(value))))


def _pass_on(flags: NDArray[np.int64], neighbour: NDArray[np.intp], missing: Bool) -> None:
    """The opening on the other side of a missing wire is as torn as this one."""
    other = neighbour[missing]
    flags[other[other >= 0]] |= Flag.WIRE_MISSING


def _cut(
    shape: tuple[int, ...], centre: Float, vectors: Float, fits: Sequence[EdgeFit], size: Float
) -> Bool:
    """Openings of which a corner lies outside the picture."""
    unit = vectors / np.linalg.norm(vectors, axis=2, keepdims=True)
    half = [
        0.5 * np.where(np.isfinite(f.width), f.width, s) for f, s in zip(fits, size, strict=True)
    ]
    cut = np.zeros(len(centre), np.bool_)
    for i in (-1, 1):
        for j in (-1, 1):
            corner = centre + i * half[0][:, None] * unit[:, 0] + j * half[1][:, None] * unit[:, 1]
            x, y = corner.T
            cut |= (x < -_INSIDE) | (y < -_INSIDE)
            cut |= (x > shape[1] - 1 + _INSIDE) | (y > shape[0] - 1 + _INSIDE)
    return cut


def _dark_share(
    light: NDArray[np.float32],
    centre: Float,
    vectors: Float,
    size: Float,
    spread: Float,
    levels: Levels,
) -> Float:
    """Share of dark pixels in the inner part of every opening, where no wire should be seen."""
    inner = np.maximum(0.5 * size - 1.5 - 1.25 * np.minimum(spread, 0.15 * size), 0.2 * size)
    extent = int(np.ceil(inner.sum())) + 1
    grid = np.arange(-extent, extent + 1)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    unit = vectors.mean(axis=0)
    unit = unit / np.linalg.norm(unit, axis=1, keepdims=True)
    along = np.linalg.solve(unit.T, np.stack([x, y]))  # px along both lattice directions
    inside = (np.abs(along[0]) <= inner[0]) & (np.abs(along[1]) <= inner[1])
    x, y = x[inside], y[inside]
    base = np.rint(centre).astype(np.intp)
    height, width = light.shape
    limit = levels.floor + _DARK * (levels.top - levels.floor)
    dark = np.zeros(len(centre))
    size_of_chunk = max(1, (1 << 21) // len(x))
    for first in range(0, len(centre), size_of_chunk):
        part = slice(first, first + size_of_chunk)
        column = np.clip(base[part, :1] + x, 0, width - 1)
        row = np.clip(base[part, 1:] + y, 0, height - 1)
        dark[part] = (light[row, column] < limit[part, None]).mean(axis=1)
    return dark


def _wire_missing(fit: EdgeFit, profile: Profiles, levels: Levels) -> tuple[Bool, Bool]:
    """Whether the profile shows no wire before, or after, the opening.

    It is missed where the darkest place stays over half-way between what the wires of this
    picture usually show at their darkest and the full light of an opening.
    """
    u, w = profile.distance, profile.weight
    size = float(np.nanmedian(fit.width))
    wire = float(np.nanmedian(fit.wires))
    span = (levels.top - levels.floor)[:, None]
    height = np.where(w > 0, (profile.value - levels.floor[:, None]) / span, np.inf)
    out = []
    for sign in (-1, 1):
        zone = (sign * u > 0.25 * size) & (sign * u < 0.5 * size + wire + 1)
        lowest = np.where(zone, height, np.inf).min(axis=1)
        usual = np.median(lowest[np.isfinite(lowest)]) if np.isfinite(lowest).any() else 0.0
        out.append(np.isfinite(lowest) & (lowest > 0.5 * (1 + min(usual, 0.8))))
    return out[0], out[1]
