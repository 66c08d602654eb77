"""Cumulative curves (size in um, percent passing) as CSV files, validated."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from sieve_inspect.errors import BadTableError

__all__ = ["Curve", "read_curve"]

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

    def passing(self, size: float) -> float:
        """Percent passing at a size, linear over the logarithm of size; flat beyond the ends."""
        if size <= self.sizes[0]:
            return self.percents[0]
        for (a, p), (b, q) in pairwise(zip(self.sizes, self.percents, strict=True)):
            if size <= b:
                return p + (q - p) * math.log(size / a) / math.log(b / a)
        return self.percents[-1]

    def covers(self, low: float, high: float) -> bool:
        """Whether the curve says something of all sizes between."""
        return self.sizes[0] <= low and high <= self.sizes[-1]


def read_curve(path: Path) -> Curve:
    """Read a CSV with the columns size_um and passing_percent.

    Raises `BadTableError` with the line and what is wrong with it.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise BadTableError(file=path, reason=error.strerror or "no access") from error
    except UnicodeDecodeError as error:
        raise BadTableError(file=path, reason="it is not UTF-8 text") from error
    if len(data) > _MOST_BYTES:
        raise BadTableError(file=path, reason="it is over 1 MB, which no curve is")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    points: list[tuple[float, float]] = []
    try:
        header: list[str] = []
        for cells in reader:
            named = [cell.strip() for cell in cells]
            if not any(named):
                continue
            if header:
                points.append(_point(named, points))
            elif tuple(named) == _COLUMNS:
                header = named
            else:
                raise ValueError(f"the header has to be {','.join(_COLUMNS)}")
    except (ValueError, csv.Error) as error:
        reason = f"line {max(reader.line_num, 1)}: {error}"
        raise BadTableError(file=path, reason=reason) from error
    if len(points) < 2:
        raise BadTableError(file=path, reason="a curve needs two points or more")
    sizes, percents = zip(*points, strict=True)
    return Curve(sizes, percents)


def _point(cells: list[str], before: list[tuple[float, float]]) -> tuple[float, float]:
    if len(cells) != 2:
        raise ValueError(f"it has {len(cells)} cells, not 2")
    try:
        size, percent = float(cells[0]), float(cells[1])
    except ValueError:
        raise ValueError(f"{cells[0][:20]!r}, {cells[1][:20]!r} are no two numbers") from None
    if not (math.isfinite(size) and size > 0):
        raise ValueError(f"a size of {cells[0]} um is not possible")
    if not 0 <= percent <= 100:
        raise ValueError(f"{cells[1]} percent is not possible")
    if before and size <= before[-1][0]:
        raise ValueError("the sizes have to rise from line to line")
    if before and percent < before[-1][1]:
        raise ValueError("the percentages may not fall as the sizes rise")
    return size, percent
