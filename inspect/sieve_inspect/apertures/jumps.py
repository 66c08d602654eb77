"""Jumps in a picture: a carriage that stopped, or a sieve that moved while it was scanned.

Wires are continuous. The step from an opening to the next along a wire follows that wire, and the
mean sideways part of these steps over all wires is zero at every height of the picture. Where the
sieve or the carriage moved, all wires step aside at the same line. Where lines were lost or
scanned twice, all steps across that line are shorter or longer by as much, which nothing before or
after compensates. A row that was woven so is similar; but it follows the cloth, the line follows
the picture, and where the cloth lies rotated by a few degrees they separate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.arrays import Float, Index

_FEWEST = 8  # steps that must agree
_CLEAR = 8.0  # standard errors
_SMALLEST = 0.2  # px; lesser steps are within what carriages do
_ENOUGH = 500  # steps around from which the usual step is taken
_FURTHER = 3  # openings to the next sound opening: a torn line spoils those that it cuts
_WINDOW = 5  # strips that a displaced wire moves, and moves back
_GRID = 0.1  # of a pitch between the lines that are tried
_SEEN = 0.15  # share of a change that must remain after each row's own mean is subtracted
_SEAM = 0.08  # of a pitch; the smallest change where rows and lines separate
_PLAINLY = 0.6  # ratio of the unexplained variances of row and line that decides between them
_LOST = 0.15  # share of the pitch; less cannot be distinguished from uneven wires, …
_RARE = 5.0  # … and more only where it is so many times the usual change


@dataclass(frozen=True)
class Jump:
    """A step of `size` px that all wires make at one line of the picture, `axis` = `at` px.

    `along` is true where the picture is too short or too long there, by as much; `sure` is false
    where it may as well be a row of the cloth.
    """

    size: float
    axis: str
    at: float
    along: bool = False
    sure: bool = True


def largest_jump(field: Field) -> Jump:
    """The largest step that stands out from its scatter; size 0 where there is none."""
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
            size, at = _step_in(middle[:, k], aside, float(np.hypot(*np.median(step, axis=0))))
            if size > best.size:
                best = Jump(size, name, at)
        run = int(abs(step[:, 1]).sum() > abs(step[:, 0]).sum())
        line = (field.column if direction else field.row)[here]
        off = np.clip(along / pitch - count, -1.5, 1.5)
        steps = (middle[:, run] / abs(pitch), line, count, off)
        lost = _seam_in(*steps) or _lost_in(*steps)
        if lost is not None and lost.size * abs(pitch) > best.size:
            at = lost.at * abs(pitch)
            best = Jump(lost.size * abs(pitch), "xy"[run], at, True, lost.sure)
    return best


def _steps(field: Field, direction: int) -> tuple[Index, Index, Index]:
    """Steps from every sound opening to the next sound opening along the wires.

    Numbers of both openings (m,), and how many openings the step spans.
    """
    rows, columns = field.lattice.seen.shape
    grid = np.full((rows + _FURTHER, columns + _FURTHER), -1, np.intp)
    grid[field.row, field.column] = np.where(field.ok, np.arange(len(field.row)), -1)
    begin = np.flatnonzero(field.ok)
    here, there, count = [], [], []
    for far in range(1, _FURTHER + 1):
        row, column = field.row[begin], field.column[begin]
        other = grid[row + far * (1 - direction), column + far * direction]
        reached = other >= 0
        here.append(begin[reached])
        there.append(other[reached])
        count.append(np.full(reached.sum(), far))
        begin = begin[~reached]
    return np.concatenate(here), np.concatenate(there), np.concatenate(count)


def _seam_in(place: Float, line: Index, count: Index, off: Float) -> Jump | None:
    """A line of the picture at which steps are longer or shorter than others of the same row.

    Arguments as of `_lost_in`. None where rows run along the picture's lines.
    """
    known = np.maximum(np.bincount(line), 1)
    off = off - (np.bincount(line, off) / known)[line]
    lowest = float(place.min()) - _FURTHER
    first, last = ((place + k * 0.5 * count - lowest) / _GRID for k in (-1, 1))
    lines = int(last.max()) + 2

    def over(weight: Float) -> Float:
        """Sums at every line over the steps that cross it."""
        begun, ended = (np.bincount(i.astype(np.intp), weight, lines) for i in (first, last))
        return np.asarray(np.cumsum(begun - ended))

    steps = over(np.ones(len(off)))
    enough = steps >= max(_FEWEST, 0.5 * float(np.median(steps[steps > 0])))
    if not enough.any():
        return None
    mean = np.where(enough, over(off) / np.maximum(steps, 1), 0)
    apart = round(2 / _GRID)
    beside = np.pad(mean, apart)
    mean -= 0.5 * (beside[: -2 * apart] + beside[2 * apart :])
    usual = 1.4826 * float(np.median(np.abs(mean[enough])))
    number = int(np.argmax(np.abs(mean) * enough))
    across = (first.astype(np.intp) <= number) & (number < last.astype(np.intp))
    of_line = np.bincount(line[across], minlength=len(known))
    # The part of a row that crosses the line has moved the row's mean along with it.
    seen = 1 - float((of_line**2 / known).sum()) / max(1, int(of_line.sum()))
    scatter = 1.4826 * float(np.median(np.abs(off))) / np.sqrt(max(1, across.sum()))
    if seen < _SEEN or abs(mean[number]) < max(_CLEAR * max(usual, scatter), _SEAM * seen):
        return None
    size = abs(float(mean[number])) / seen
    others = ~across & (of_line[line] > 0)
    if others.sum() < _FEWEST:
        return None
    if abs(np.median(off[across]) - np.median(off[others])) < 0.5 * size:
        return None  # a few steps are far off, and most are not
    return Jump(size, "", lowest + (number + 0.5) * _GRID, along=True)


def _lost_in(place: Float, line: Index, count: Index, off: Float) -> Jump | None:
    """The largest clear change of length in strips one pitch wide, if no row explains it.

    Steps at `place` (m,) over `count` (m,) openings from the row `line` (m,) on are too long by
    `off` (m,); all lengths, the answer's too, in pitches.
    """
    strip = (place - place.min()).astype(np.intp)
    steps = np.bincount(strip)
    known = steps >= _FEWEST
    if known.sum() < 3 * _WINDOW:
        return None
    change = np.where(known, np.bincount(strip, off) / np.maximum(steps, 1), 0)
    change -= np.where(known, np.median(change[known]), 0)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(steps, 7, mode="edge"), 15)
    change *= np.maximum(1, np.rint(steps / np.maximum(1, np.median(near, axis=1))))  # two rows
    windows = np.convolve(np.pad(change, _WINDOW - 1), np.ones(_WINDOW), "valid")
    usual = 1.4826 * float(np.median(np.abs(windows - np.median(windows))))
    # Windows that contain a strip and both beside it: they cancel a displaced wire.
    around = np.lib.stride_tricks.sliding_window_view(windows, _WINDOW)[:, 1:-1]
    alike = (around > 0).all(axis=1) | (around < 0).all(axis=1)
    lasting = np.where(alike, np.abs(around).min(axis=1), 0)
    number = int(np.argmax(lasting))
    size = float(lasting[number])
    if size < max(_LOST, _RARE * usual):
        return None
    about = np.flatnonzero(np.abs(strip - number) < _WINDOW)
    place, count, off = place[about], count[about], off[about]
    line = line[about] - line[about].min()

    def unexplained(value: Float) -> float:
        mean = np.bincount(line, value) / np.maximum(np.bincount(line), 1)
        return float(((value - mean[line]) ** 2).sum())

    jump = size * float(np.sign(around[number, 0]))
    tried = np.arange(place.min(), place.max(), 0.1)
    rest = [unexplained(off - jump * (np.abs(place - at) < 0.5 * count)) for at in tried]
    by_picture, by_cloth = min(rest), unexplained(off)
    if by_cloth < _PLAINLY * by_picture:
        return None
    at = float(tried[int(np.argmin(rest))])
    return Jump(size, "", at, along=True, sure=by_picture < _PLAINLY * by_cloth)


def _step_in(place: Float, aside: Float, pitch: float) -> tuple[float, float]:
    """Largest clear median of `aside` (n,) in strips one pitch wide, less the strips around it."""
    strip = ((place - place.min()) / pitch).astype(np.intp)
    order = np.argsort(strip, kind="stable")
    place, aside = place[order], aside[order]
    ends = np.concatenate([[0], np.cumsum(np.bincount(strip))])

    def part(first: int, last: int) -> slice:
        return slice(*ends[np.clip([first, last], 0, len(ends) - 1)])

    # Medians are slow: they are computed only where the means differ, outliers cut off.
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
