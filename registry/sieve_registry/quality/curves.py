"""Cumulative curves: percent passing over size in um, read from a table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from sieve_inspect.errors import BadTableError
from sieve_registry.exchange.sheets import read_columns, read_number

_MOST_BYTES = 1_000_000
_COLUMNS = ("size_um", "passing_percent")


@dataclass(frozen=True)
class Curve:
    """Percent passing (0 to 100) over size (um), both rising; two points or more."""

    sizes: tuple[float, ...]
    percents: tuple[float, ...]

    def size_at(self, percent: float) -> float | None:
        """The size where the curve has a percentage, linear between points; None outside."""
        for (a, p), (b, q) in pairwise(zip(self.sizes, self.percents, strict=True)):
            if p <= percent <= q and q > p:
                return a + (b - a) * (percent - p) / (q - p)
        return None

    def slope_at(self, percent: float) -> float:
        """um per percent where the curve has a percentage; 0 outside it."""
        for (a, p), (b, q) in pairwise(zip(self.sizes, self.percents, strict=True)):
            if p <= percent <= q and q > p:
                return (b - a) / (q - p)
        return 0.0

    def passing(self, size: float) -> float:
        """Percent passing at a size, linear over the logarithm of size; flat beyond the ends."""
        if size <= self.sizes[0]:
            return self.percents[0]
        for (a, p), (b, q) in pairwise(zip(self.sizes, self.percents, strict=True)):
            if size <= b:
                return p + (q - p) * math.log(size / a) / math.log(b / a)
        return self.percents[-1]

    def covers(self, low: float, high: float) -> bool:
        """Whether the curve reaches over all sizes from `low` to `high`."""
        return self.sizes[0] <= low and high <= self.sizes[-1]


def read_curve(path: Path) -> Curve:
    """Read a table with the columns size_um and passing_percent, both rising.

    Raises `BadTableError` with the line and what is wrong with it.
    """
    points = read_columns(path, [_COLUMNS], _point, most_bytes=_MOST_BYTES)
    if len(points) < 2:
        raise BadTableError(file=path, reason="a curve needs two points or more")
    sizes, percents = zip(*points, strict=True)
    return Curve(sizes, percents)


def _point(cells: dict[str, str], before: list[tuple[float, float]]) -> tuple[float, float]:
    size, percent = (read_number(name, cells[name]) for name in _COLUMNS)
    if not (math.isfinite(size) and size > 0):
        raise ValueError(f"a size of {size:g} um is not possible")
    if not 0 <= percent <= 100:
        raise ValueError(f"{percent:g} percent is not possible")
    if before and size <= before[-1][0]:
        raise ValueError("the sizes have to rise from line to line")
    if before and percent < before[-1][1]:
        raise ValueError("the percentages may not fall as the sizes rise")
    return size, percent
