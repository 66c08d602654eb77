"""Openings as their fits alone show them: usual sizes, sound fits, and the rules that decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import Flag
from sieve_inspect.apertures.neighbourhood import neighbours
from sieve_inspect.apertures.width_comparison import (
    beside_displaced_wire,
    gap_sizes,
    narrowed_at_wire,
    spread,
)
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.coarse import WIDTH_RANGE
from sieve_inspect.edges.fit import EdgeFit

Flags = NDArray[np.int64]

_ENOUGH = 50_000  # openings from which the usual wire is taken


@dataclass(frozen=True, eq=False)
class FittedOpenings:
    """n openings with their fits in both directions; `row`, `column` (n,) index the lattice."""

    row: Index
    column: Index
    fits: Sequence[EdgeFit]

    @cached_property
    def size(self) -> Float:
        """Usual width (2,) in each direction, px."""
        return np.array([np.nanmedian(f.width) for f in self.fits])

    @cached_property
    def spread(self) -> Float:
        """Robust standard deviation (2,) of the widths in each direction, px."""
        return np.array([spread(f.width) for f in self.fits])

    @cached_property
    def wires(self) -> Float:
        """Usual width (2,) of the wires in each direction, px."""
        some = np.arange(0, len(self.row), max(1, len(self.row) // _ENOUGH))
        return np.array([np.nanmedian(f.take(some).wires) for f in self.fits])

    @cached_property
    def index(self) -> Index:
        """Numbers (n, 4) of the neighbours right, left, below, above; -1 for none."""
        return neighbours(self.row, self.column)

    @cached_property
    def fit_flags(self) -> Flags:
        """Flags (n,) that the fits set by themselves."""
        flags = np.zeros(len(self.row), np.int64)
        for flag, rule in FIT_RULES:
            flags[rule(self)] |= flag
        return flags

    @cached_property
    def gaps(self) -> Float:
        """Usual widths (n, 2) px of the sound openings nearby between the same wires."""
        return gap_sizes(self.row, self.column, self.fits, self.size, self.fit_flags == 0)

    @cached_property
    def sound(self) -> Bool:
        """Openings (n,) whose fits are believed.

        Beside a displaced wire nothing fits well, but the openings there are what they are.
        """
        displaced = beside_displaced_wire(self.fits, self.gaps, self.index)
        return np.asarray((self.fit_flags == 0) | displaced)

    @cached_property
    def own(self) -> Float:
        """Size (n, 2) px: its own where an opening is sound, that of its gaps where not."""
        widths = np.stack([f.width for f in self.fits], axis=1)
        return np.where(self.sound[:, None], widths, self.gaps)


def in_any(directions: Sequence[Bool]) -> Bool:
    """Openings (n,) marked in any of the directions."""
    return np.asarray(np.any(directions, axis=0))


def _without_edges(openings: FittedOpenings) -> Bool:
    return in_any([~np.isfinite(f.width) for f in openings.fits])


def _no_usual_width(openings: FittedOpenings) -> Bool:
    low, high = WIDTH_RANGE
    parts = [
        (f.width < low * usual) | (f.width > high * usual)
        for f, usual in zip(openings.fits, openings.size, strict=True)
    ]
    return in_any(parts)


def _poorly_fitted(openings: FittedOpenings) -> Bool:
    return in_any([f.poor for f in openings.fits])


def _narrowed_at_wire(openings: FittedOpenings) -> Bool:
    gaps = (openings.column, openings.row)
    return in_any([narrowed_at_wire(f, gap) for f, gap in zip(openings.fits, gaps, strict=True)])


FitRule = Callable[[FittedOpenings], Bool]

FIT_RULES: tuple[tuple[Flag, FitRule], ...] = (
    (Flag.NO_EDGE, _without_edges),
    (Flag.MISFIT, _no_usual_width),
    (Flag.MISFIT, _poorly_fitted),
    (Flag.TOUCHED, _narrowed_at_wire),
)
