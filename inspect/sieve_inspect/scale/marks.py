"""Observed marks of an artefact: places in px with their lattice coordinates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index


@dataclass(frozen=True, eq=False)
class Observations:
    """The n equations of a picture.

    `first` and `second` (n, 2) as (x, y) px are a gap's edges, or twice a dot's middle; `index`
    (n, 2) lattice coordinates, `axis` (n,) the lattice direction measured, `mark` (n,) a number
    for each mark.
    """

    first: Float
    second: Float
    index: Float
    axis: Index
    mark: Index

    @property
    def point(self) -> Float:
        """Middles (n, 2), px."""
        return np.asarray((self.first + self.second) / 2)

    def take(self, which: Bool) -> Observations:
        """The equations selected by a mask (n,)."""
        return Observations(*(getattr(self, f.name)[which] for f in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[Observations]) -> Observations:
        """All equations, part after part."""
        columns = ([getattr(part, f.name) for part in parts] for f in fields(cls))
        return cls(*(np.concatenate(column) for column in columns))

    def turned(self, quarters: int) -> Observations:
        """The same marks in the axes of an artefact turned by that many quarter turns more."""
        marks = self
        for _ in range(quarters % 4):
            index = np.stack([marks.index[:, 1], -marks.index[:, 0]], axis=1)
            marks = replace(marks, index=index, axis=1 - marks.axis)
        return marks
