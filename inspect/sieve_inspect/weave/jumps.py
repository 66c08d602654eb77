"""Pictures that jump: a carriage that stopped, a sieve that moved while it was scanned.

Wires run on. From one opening to the next one along a wire, the way leads along that wire, and
the mean over all wires of what it leads aside is nothing, at every height of the picture. Where
the picture was torn, all of them step aside at the same line. And where a piece of it was lost or
scanned twice, all ways across that line are shorter or longer by as much, which nothing before or
after makes good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.weave.field import Field

__all__ = ["Jump", "largest_jump"]

Float = NDArray[np.float64]
Index = NDArray[np.intp]

_FEWEST = 8  # steps that must agree
_CLEAR = 8.0  # standard errors
_SMALLEST = 0.2  # px; lesser steps are within what carriages do
_ENOUGH = 500  # steps around that tell what is usual
_FURTHER = 3  # openings from a sound one to the next: a torn line spoils those that it cuts
_WINDOW = 5  # strips that a wire pushed aside moves, and moves back
_LOST = 0.15  # share of the pitch; less is told from uneven wires by nothing …
_RARE = 6.0  # … and more only where it is so many times what is usual


@dataclass(frozen=True)
class Jump:
    """A step of `size` px that all wires make at one line of the picture, `axis` = `at` px.

    `along` tells that the picture is too short or too long there, by as much.
    """

    size: float
    axis: str
    at: float
    along: bool = False


def largest_jump(field: Field) -> Jump:
    """The largest step that stands clear of its scatter; size 0 where there is none."""
    best = Jump(0.0, "y", 0.0)
    for direction in (0, 1):  # steps along the wires that bound the openings in this direction
        here, there, count = _steps(field, direction)
        if len(here) < 4 * _FEWEST:
            continue
        step = field.centre[there] - field.centre[here]
        aside = (step * field.axes[direction].normal[here]).sum(axis=1)
        along = (step * field.axes[1 - direction].normal[here]).sum(axis=1)
        pitch = float(np.median(along))
        middle = 0.5 * (field.centre[there] + field.centre[here])
        for k, name in ((1, "y"), (0, "x")):
            found = _step_in(middle[:, k], aside, float(np.hypot(*np.median(step, axis=0))))
            if found[0] > best.size:
                best = Jump(found[0], name, found[1])
        run = int(abs(step[:, 1]).sum() > abs(step[:, 0]).sum())
        lost = _lost_in(middle[:, run], along - count * pitch, abs(pitch))
        if lost[0] > best.size:
            best = Jump(lost[0], "xy"[run], lost[1], along=True)
    return best


def _steps(field: Field, direction: int) -> tuple[Index, Index, Index]:
    """From every sound opening to the next sound one along the wires: numbers of both (m,), and
    how many openings on that is."""
    rows, columns = field.lattice.seen.shape
    grid = np.full((rows + _FURTHER, columns + _FURTHER), -1, np.intp)
    grid[field.row, field.column] = np.where(field.ok, np.arange(len(field.row)), -1)
    begin = np.flatnonzero(field.ok)
    here, there, count = [], [], []
    for far in range(1, _FURTHER + 1):
        row, column = field.row[begin], field.column[begin]
        other = grid[row + far * (1 - direction), column + far * direction]
        found = other >= 0
        here.append(begin[found])
        there.append(other[found])
        count.append(np.full(found.sum(), far))
        begin = begin[~found]
    return np.concatenate(here), np.concatenate(there), np.concatenate(count)


def _lost_in(place: Float, off: Float, pitch: float) -> tuple[float, float]:
    """Largest clear change of length in strips one pitch wide; `off` (n,) are the steps' own."""
    strip = ((place - place.min()) / pitch).astype(np.intp)
    count = np.bincount(strip)
    total = np.bincount(strip, np.clip(off, -1.5 * pitch, 1.5 * pitch))
    known = count >= _FEWEST
    if known.sum() < 3 * _WINDOW:
        return 0.0, 0.0
    change = np.where(known, total / np.maximum(count, 1), 0)
    change -= np.where(known, np.median(change[known]), 0)
    windows = np.convolve(change, np.ones(_WINDOW), "valid")  # number k is of strips k to k + 4
    usual = 1.4826 * float(np.median(np.abs(windows - np.median(windows))))
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(windows, _WINDOW - 1, mode="edge"), _WINDOW
    )
    lasting = np.where((around > 0).all(axis=1) | (around < 0).all(axis=1), 1, 0)
    lasting = lasting * np.abs(around).min(axis=1)
    number = int(np.argmax(lasting))
    size = float(lasting[number])
    if size < max(_LOST * pitch, _RARE * usual):
        return 0.0, 0.0
    return size, float(place.min() + (number + 0.5) * pitch)


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
