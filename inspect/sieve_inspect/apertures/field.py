"""One picture of cloth, measured: every opening with its two widths, its state and its flags."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import State
from sieve_inspect.apertures.opening_set import OpeningSet
from sieve_inspect.apertures.prepared_field import PreparedField
from sieve_inspect.apertures.states import judge_states
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.direction import Axis
from sieve_inspect.edges.field_maps import Levels
from sieve_inspect.lattice.search import Lattice

_NO_LIGHT = 0.97  # dark share from which no light comes through an opening
_FURTHEST = 0.5  # of an opening that its fitted middle may be off its nominal centre


@dataclass(frozen=True, eq=False)
class Field:
    """All openings of one picture; arrays over the n openings of the lattice.

    `row`, `column` index the lattice, `centre` (n, 2) is (x, y) in px with pixel centres at
    whole numbers, `axes` the directions x and y, `filled` the dark share of each opening,
    `pixel_noise` the standard deviation of one pixel in linear light.
    """

    row: Index
    column: Index
    centre: Float
    axes: tuple[Axis, Axis]
    state: NDArray[np.str_]
    flags: NDArray[np.int64]
    filled: Float
    lattice: Lattice
    pixel_noise: float

    def run_of_x(self) -> Float:
        """The mean step (x, y) px from an opening to the next along direction x.

        Openings of one row lie between the same two wires: the step runs along these, however
        uneven the gaps are.
        """
        shape = self.lattice.seen.shape
        grid = np.full((shape[0], shape[1] + 1), -1, np.intp)
        grid[self.row, self.column] = np.where(self.ok, np.arange(len(self.row)), -1)
        here = np.flatnonzero(self.ok & (grid[self.row, self.column + 1] >= 0))
        if not len(here):
            return np.asarray(self.lattice.pitch.vectors[0])
        there = grid[self.row[here], self.column[here] + 1]
        return np.asarray((self.centre[there] - self.centre[here]).mean(axis=0))

    @property
    def ok(self) -> Bool:
        """Openings (n,) whose widths are believed."""
        return np.asarray(self.state == State.OK)

    def sample(self, most: int, among: Bool | None = None) -> Index:
        """At most so many sound openings, evenly spread in reading order; of those `among` (n,)."""
        which = np.flatnonzero(self.ok if among is None else self.ok & among)
        if len(which) > most:
            which = which[np.linspace(0, len(which) - 1, most).astype(np.intp)]
        return which


def field_of(prepared: PreparedField, axes: tuple[Axis, Axis], doubt: Bool | None = None) -> Field:
    """The field of openings whose widths have been measured; for `doubt` see `OpeningSet`.

    `axes` are overwritten: of a million openings there is no room for two copies.
    """
    fitted = np.zeros_like(prepared.centre)
    for axis in axes:
        middle = axis.fit.middle
        fitted += np.where(np.isfinite(middle), middle, 0)[:, None] * axis.normal
    limit = _FURTHEST * max(estimate.opening for estimate in prepared.initial)
    np.clip(fitted, -limit, limit, out=fitted)
    fitted += prepared.centre
    variances = [np.nanmedian(a.fit.misfit[prepared.seen]) ** 2 for a in axes]
    fits = [a.fit for a in axes]
    openings = OpeningSet(
        row=prepared.row,
        column=prepared.column,
        fits=fits,
        light=prepared.light,
        fitted=fitted,
        vectors=prepared.vectors,
        levels=Levels.from_fits(fitted, prepared.seen, fits),
        blur=max(a.response.sigma for a in axes),
        doubt=doubt,
        ring=prepared.lattice.ring,
    )
    state, flags = judge_states(openings)
    # A place beyond the last openings through which no light comes is not of the cloth.
    dark = openings.filled > _NO_LIGHT
    there = prepared.seen | (state != State.PARTIAL) | ~dark
    if prepared.lattice.ring is not None:
        there &= prepared.lattice.ring.depth(openings.middle) > 0
    kept = np.flatnonzero(there)
    return Field(
        prepared.row[kept],
        prepared.column[kept],
        openings.middle[kept],
        (axes[0].pack(kept), axes[1].pack(kept)),
        state[kept],
        flags[kept],
        openings.filled[kept],
        prepared.lattice,
        float(np.sqrt(np.mean(variances))),
    )
