"""The image pyramid of a scan: square tiles at every magnification, with the apertures in each.

A scan of a full cloth has millions of apertures and more pixels than a browser can hold, so both
are sent tile by tile. A tile has `TILE` px a side and shows 2^k times as many px at level k.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.image import opencv
from sieve_inspect.measurement.closeup import part_of, tone_of
from sieve_inspect.measurement.overlay import corners
from sieve_inspect.measurement.picture import Picture

TILE = 512
_MOST_MARKED = 4000  # apertures marked at every magnification


class ScanPyramid:
    """The pyramid of one picture; every part is computed on first use."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.height = int(picture.pixels.shape[0])
        self.width = int(picture.pixels.shape[1])

    @property
    def levels(self) -> int:
        """Number of halvings until one tile shows all of the scan."""
        return max(0, math.ceil(math.log2(max(self.height, self.width) / TILE)))

    @cached_property
    def _base(self) -> tuple[Any, list[NDArray[np.uint8]]]:
        """The tone curve, and the picture in greys at every halving."""
        light = self.picture.light
        tone = tone_of(light)
        halves = [tone(light)]
        while max(halves[-1].shape) > TILE:
            halves.append(opencv.resize(halves[-1], 0.5))
        return tone, halves

    @property
    def tone(self) -> Any:
        """The curve from light to grey, the same for all of the scan."""
        return self._base[0]

    def tile(self, level: int, column: int, row: int) -> bytes | None:
        """A square of the scan as PNG, None outside the scan."""
        span = TILE << level
        left, top = column * span, row * span
        if level > self.levels or left >= self.width or top >= self.height:
            return None
        tone, halves = self._base
        reduced = self.picture.reduced
        if 1 << level < reduced:
            grey = tone(part_of(self.picture, left, top, left + span, top + span))
            return opencv.encode_png(opencv.resize(grey, 0.5**level) if level else grey)
        half = min(int(math.log2((1 << level) / reduced)), len(halves) - 1)
        shrunk = reduced << half  # px of the scan per px of this halving
        first, last = (slice(round(at / shrunk), round((at + span) / shrunk)) for at in (top, left))
        part = np.ascontiguousarray(halves[half][first, last])
        if not part.size:
            return None
        rest = (1 << level) / shrunk
        return opencv.encode_png(opencv.resize(part, 1 / rest) if rest > 1 else part)

    @cached_property
    def _corners(self) -> NDArray[np.float32]:
        outlines = corners(self.picture.field).reshape(-1, 8)
        return np.where(np.isfinite(outlines), outlines, 0).astype(np.float32)

    @cached_property
    def _by_tile(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Aperture indices (n,) sorted by the tile of their middles, and those tiles (n,)."""
        x, y = np.clip(self.picture.field.centre, 0, None).T // TILE
        place = (y * self._across + x).astype(np.intp)
        order = np.argsort(place, kind="stable")
        return order, place[order]

    @property
    def _across(self) -> int:
        return self.width // TILE + 2

    def corners_of(self, index: int) -> list[float]:
        """Corners of an aperture, x and y in px of the scan, in order around it."""
        return [round(float(value), 1) for value in self._corners[index]]

    def marks_in(self, column: int, row: int) -> dict[str, Any]:
        """The apertures in a square of level 0: state letters, and corners as in `corners_of`."""
        order, tiles = self._by_tile
        number = row * self._across + column
        return self._marks(order[slice(*np.searchsorted(tiles, (number, number + 1)))])

    def overview_marks(self) -> dict[str, Any]:
        """The apertures marked at every magnification: torn, blocked, and the widest."""
        field = self.picture.field
        which = np.flatnonzero(np.isin(field.state, ("torn", "blocked")))[:_MOST_MARKED]
        ok = np.flatnonzero(field.ok)
        widest = [int(ok[np.argmax(a.fit.width[ok])]) for a in field.axes] if len(ok) else []
        return {**self._marks(which), "widest": [self.corners_of(index) for index in widest]}

    def _marks(self, which: Sequence[int] | NDArray[np.intp]) -> dict[str, Any]:
        state = self.picture.field.state[which]
        return {
            "state": "".join(str(name)[0] for name in state),
            "corners": np.round(self._corners[which], 1).astype(float).round(1).tolist(),
        }

    def nearest(self, x: float, y: float) -> int | None:
        """The aperture nearest to a point in px, None beyond the cloth."""
        field = self.picture.field
        if not len(field.row):
            return None
        away = np.hypot(field.centre[:, 0] - x, field.centre[:, 1] - y)
        index = int(np.argmin(away))
        return index if away[index] < 2 * self.picture.aperture_px else None

    def neighbour(self, index: int, rows: int, columns: int) -> int | None:
        """The aperture some rows and columns from another, None where there is none."""
        field = self.picture.field
        if not 0 <= index < len(field.row):
            return None
        row, column = field.row[index] + rows, field.column[index] + columns
        places = np.flatnonzero((field.row == row) & (field.column == column))
        return int(places[0]) if len(places) else None
