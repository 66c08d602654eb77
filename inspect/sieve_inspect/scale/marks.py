"""What a picture of an artefact says: places in px and where on the artefact they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Observations"]

Float = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Observations:
    """What one picture says: n equations.

    `first` and `second` (n, 2) as (x, y) px are a gap's edges, or twice a dot's middle; `index`
    (n, 2) lattice coordinates, `axis` (n,) the lattice direction measured, `mark` (n,) a number
    for each mark.
    """

    first: Float
    second: Float
    index: Float
    axis: Ints
    mark: Ints

    @property
    def point(self) -> Float:
        """Middles (n, 2), px."""
        return np.asarray((self.first + self.second) / 2)

    def take(self, which: NDArray[np.bool_]) -> Observations:
        """Some of the equations."""
        return Observations(*(getattr(self, f.name)[which] for f in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[Observations]) -> Observations:
        """All equations, one part after the other."""
        columns = ([getattr(part, f.name) for part in parts] for f in fields(cls))
        return cls(*(np.concatenate(column) for column in columns))

    def turned(self, quarters: int) -> Observations:
        """The same marks in the axes of an artefact turned that many quarters further."""
        seen = self
        for _ in range(quarters % 4):
            index = np.stack([seen.index[:, 1], -seen.index[:, 0]], axis=1)
            seen = replace(seen, index=index, axis=1 - seen.axis)
        return seen
