"""Pictures that jump: a carriage that stopped, a sieve that moved while it was scanned.

Wires run on. From one opening to the next one along a wire, the way leads along that wire, and
the mean over all wires of what it leads aside is nothing, at every height of the picture. Where
the picture was torn, all of them step aside at the same line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.field import Field

__all__ = ["Jump", "largest_jump"]

Float = NDArray[np.float64]

_FEWEST = 8  # steps that must agree
_CLEAR = 8.0  # standard errors
_SMALLEST = 0.2  # px; lesser steps are within what carriages do
_ENOUGH = 500  # steps around that tell what is usual


@dataclass(frozen=True)
class Jump:
    """A step of `size` px that all wires make at one line of the picture, `axis` = `at` px."""

    size: float
    axis: str
    at: float


def largest_jump(field: Field) -> Jump:
    """The largest step aside that stands clear of its scatter; size 0 where there is none."""
    rows, columns = field.lattice.seen.shape
    grid = np.full((rows + 1, columns + 1), -1, np.intp)
    grid[field.row, field.column] = np.where(field.ok, np.arange(len(field.row)), -1)
    best = Jump(0.0, "y", 0.0)
    for direction in (0, 1):  # steps along the wires that bound the openings in this direction
        nxt = grid[field.row + 1 - direction, field.column + direction]
        here = np.flatnonzero(field.ok & (nxt >= 0))
        if len(here) < 4 * _FEWEST:
            continue
        there = nxt[here]
        step = field.centre[there] - field.centre[here]
        aside = (step * field.axes[direction].normal[here]).sum(axis=1)
        middle = 0.5 * (field.centre[there] + field.centre[here])
        for k, name in ((1, "y"), (0, "x")):
            found = _step_in(middle[:, k], aside, float(np.hypot(*np.median(step, axis=0))))
            if found[0] > best.size:
                best = Jump(found[0], name, found[1])
    return best


def _step_in(place: Float, aside: Float, pitch: float) -> tuple[float, float]:
    """Largest clear median of `aside` (n,) in strips one pitch wide, less the strips around it."""
    strip = ((place - place.min()) / pitch).astype(np.intp)
    order = np.argsort(strip, kind="stable")
    place, aside = place[order], aside[order]
    ends = np.concatenate([[0], np.cumsum(np.bincount(strip))])

    def part(first: int, last: int) -> slice:
        return slice(*ends[np.clip([first, last], 0, len(ends) - 1)])

    # Medians are dear: they are asked only where the means differ, outliers cut.
    middle, count = np.median(aside), np.diff(ends)
    spread = 4 * 1.4826 * np.median(np.abs(aside - middle)) + 2 * _SMALLEST
    total = np.add.reduceat(np.append(np.clip(aside - middle, -spread, spread), 0), ends[:-1])
    mean = np.where(count > 0, total / np.maximum(count, 1), 0)
    near = np.convolve(np.pad(mean, 7, mode="edge"), np.full(15, 1 / 15), mode="valid")
    best = (0.0, 0.0)
    for number in np.flatnonzero(np.abs(mean - near) > 0.5 * _SMALLEST).tolist():
        values = aside[part(number, number + 1)]
        before, after = part(number - 7, number - 1), part(number + 2, number + 8)
        around = np.concatenate([aside[before], aside[after]])
        if len(values) < _FEWEST or len(around) < _FEWEST:
            continue
        usual = np.median(around[:: max(1, len(around) // _ENOUGH)])
        here = float(np.median(values))
        scatter = 1.4826 * float(np.median(np.abs(values - here)))
        size = abs(here - float(usual))
        if size > _CLEAR * scatter / np.sqrt(len(values)) and size > best[0]:
            best = (size, float(np.median(place[part(number, number + 1)])))
    return best
