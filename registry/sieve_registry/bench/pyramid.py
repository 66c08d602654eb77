"""One scan for the eye: in square pieces at every magnification, with the apertures in each.

A whole cloth has millions of apertures and more pixels than a browser holds, so both are given
out piece by piece. Pieces are `TILE` px a side; at level k one shows 2^k times as much.
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
from sieve_inspect.measurement.pipeline import Picture

__all__ = ["TILE", "Looks"]

TILE = 512
_MOST_MARKED = 4000  # of those marked at every magnification


class Looks:
    """What is shown of one picture; everything is worked out when first asked for."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.height = int(picture.pixels.shape[0])
        self.width = int(picture.pixels.shape[1])

    @property
    def levels(self) -> int:
        """How often the scan is halved until one piece shows all of it."""
        return max(0, math.ceil(math.log2(max(self.height, self.width) / TILE)))

    @cached_property
    def _base(self) -> tuple[Any, list[NDArray[np.uint8]]]:
        """How light becomes grey, and the picture's greys halved and halved again."""
        light = self.picture.light
        tone = tone_of(light)
        halves = [tone(light)]
        while max(halves[-1].shape) > TILE:
            halves.append(opencv.resize(halves[-1], 0.5))
        return tone, halves

    @property
    def tone(self) -> Any:
        """How light becomes grey, the same all over the scan."""
        return self._base[0]

    def piece(self, level: int, column: int, row: int) -> bytes | None:
        """A square of the scan as PNG, None where there is none."""
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
        shrunk = reduced << half  # how many px of the scan make one of these greys
        first, last = (slice(round(at / shrunk), round((at + span) / shrunk)) for at in (top, left))
        part = np.ascontiguousarray(halves[half][first, last])
        if not part.size:
            return None
        rest = (1 << level) / shrunk
        return opencv.encode_png(opencv.resize(part, 1 / rest) if rest > 1 else part)

    @cached_property
    def _corners(self) -> NDArray[np.float32]:
        found = corners(self.picture.field).reshape(-1, 8)
        return np.where(np.isfinite(found), found, 0).astype(np.float32)

    @cached_property
    def _by_piece(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """The apertures in the order of the pieces their middles lie in, and those pieces."""
        x, y = np.clip(self.picture.field.centre, 0, None).T // TILE
        place = (y * self._across + x).astype(np.intp)
        order = np.argsort(place, kind="stable")
        return order, place[order]

    @property
    def _across(self) -> int:
        return self.width // TILE + 2

    def corners_of(self, index: int) -> list[float]:
        """Corners of an aperture, x and y in px of the scan, in order around it."""
        return [round(float(one), 1) for one in self._corners[index]]

    def marks_in(self, column: int, row: int) -> dict[str, Any]:
        """The apertures in a square of level 0: state letters, and corners as in `corners_of`."""
        order, places = self._by_piece
        number = row * self._across + column
        return self._marks(order[slice(*np.searchsorted(places, (number, number + 1)))])

    def marks_everywhere(self) -> dict[str, Any]:
        """The apertures to be seen from afar: torn and blocked ones, and the widest."""
        field = self.picture.field
        which = np.flatnonzero(np.isin(field.state, ("torn", "blocked")))[:_MOST_MARKED]
        ok = np.flatnonzero(field.ok)
        widest = [int(ok[np.argmax(a.fit.width[ok])]) for a in field.axes] if len(ok) else []
        return {**self._marks(which), "widest": [self.corners_of(one) for one in widest]}

    def _marks(self, which: Sequence[int] | NDArray[np.intp]) -> dict[str, Any]:
        state = self.picture.field.state[which]
        return {
            "state": "".join(str(one)[0] for one in state),
            "corners": np.round(self._corners[which], 1).astype(float).round(1).tolist(),
        }

    def nearest(self, x: float, y: float) -> int | None:
        """The aperture nearest to a place in px, None where there is only frame."""
        field = self.picture.field
        if not len(field.row):
            return None
        away = np.hypot(field.centre[:, 0] - x, field.centre[:, 1] - y)
        index = int(np.argmin(away))
        return index if away[index] < 2 * self.picture.aperture_px else None

    def beside(self, index: int, rows: int, columns: int) -> int | None:
        """The aperture so many rows and columns from another, None where there is none."""
        field = self.picture.field
        if not 0 <= index < len(field.row):
            return None
        row, column = field.row[index] + rows, field.column[index] + columns
        there = np.flatnonzero((field.row == row) & (field.column == column))
        return int(there[0]) if len(there) else None
