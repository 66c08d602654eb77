"""Openings in their picture: where they lie, what darkens them, and whether their wires are there.

Properties are computed when a rule first needs them. How the thresholds were checked: see `states`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sieve_inspect.apertures.coverage import (
    SIDE_MARGIN_BLUR,
    SIDE_MARGIN_PX,
    SMALLEST_INNER,
    dark_share,
)
from sieve_inspect.apertures.fit_rules import FittedOpenings
from sieve_inspect.apertures.neighbourhood import Neighbourhood, glaring, light_at
from sieve_inspect.apertures.tears import torn_wires
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light
from sieve_inspect.lattice.places import expected_places

# A pixel is dark below this share of the light from wire to opening. Of an opening lit evenly the
# inner part is far above it and what lies there far below; only blur comes near: 18 and 11.
_DARK = 0.6
# The same where the covered area is measured: a blurred edge passes half light where it lies.
_HALF_LIGHT = 0.5
# An opening that does not fit may be narrower than the usual: so many robust standard deviations
# (free from 1.25 to 5), but by no more than this share of each of them (free from 0.08 to 0.3).
_NARROW_SPREADS = 2.5
_NARROW_SHARE = 0.15
# px to each side by which the covered area ends before the edge, which is known no better.
_HALF_LIGHT_MARGIN_PX = 0.25


@dataclass(frozen=True, eq=False)
class OpeningSet(FittedOpenings):
    """n openings with their fits and the picture they lie in.

    `fitted` (n, 2) px are the middles of the fits, which become those of the result; `vectors`
    (n, 2, 2) px the local lattice; `levels` the light of wires and openings; `blur` px the Gaussian
    sigma of the edges; `doubt` (n,) marks the openings whose pixels are examined, where it is known
    that the others are lit and between undamaged wires, None examines all.
    """

    light: Light
    fitted: Float
    vectors: Float
    levels: Levels
    blur: float
    doubt: Bool | None

    @cached_property
    def examined(self) -> Index:
        """Numbers (m,) of the openings whose pixels are examined."""
        return np.arange(len(self.row)) if self.doubt is None else np.flatnonzero(self.doubt)

    @cached_property
    def middle(self) -> Float:
        """Middle (n, 2) px: its own where an opening is sound, else by its row and column.

        Written over `fitted`: of a million openings there is no room for two copies.
        """
        if self.sound.any():
            others = np.flatnonzero(~self.sound)
            self.fitted[others] = expected_places(
                self.row, self.column, self.fitted, self.sound, others
            )
        return self.fitted

    def dark_share(self, half: Float, level: float) -> Float:
        """Share (n,) of dark pixels within `half` (m, 2) px of the examined middles; 0 elsewhere.

        `level` is 0 for a wire's light and 1 for an opening's.
        """
        out = np.zeros(len(self.row), self.fits[0].parameters.dtype)
        which = self.examined
        place = (self.light, self.middle[which], self.vectors[which])
        out[which] = dark_share(*place, half, self.levels.take(which), level)
        return out

    @cached_property
    def inner_dark(self) -> Float:
        """Dark share (n,) of the part of each opening that its blurred sides do not darken."""
        which = self.examined
        narrow = self.size - _NARROW_SPREADS * np.minimum(self.spread, _NARROW_SHARE * self.size)
        bound = np.where(self.sound[which, None], self.size, narrow)
        margin = SIDE_MARGIN_PX + SIDE_MARGIN_BLUR * self.blur
        half = 0.5 * np.minimum(self.own[which], bound) - margin
        return self.dark_share(np.maximum(half, SMALLEST_INNER * self.size), _DARK)

    @cached_property
    def filled(self) -> Float:
        """Covered share (n,) of the openings' area.

        At half light the blurred wires end where they do: darker pixels within are covered.
        """
        half = 0.5 * self.own[self.examined] - _HALF_LIGHT_MARGIN_PX
        return self.dark_share(half, _HALF_LIGHT)

    @cached_property
    def inside(self) -> Float:
        """Light (n,) in the middle of each opening."""
        inside = self.levels.top.copy()
        inside[self.examined] = light_at(self.light, self.middle[self.examined])
        return inside

    @cached_property
    def glaring(self) -> Bool:
        """Openings (n,) brighter than cloth shows them."""
        return glaring(self.inside, self.levels)

    @cached_property
    def beside_glare(self) -> Bool:
        """Neighbours (n, 4) that are brighter than cloth shows them: a bright frame."""
        return np.asarray(self.glaring[self.index] & (self.index >= 0))

    @cached_property
    def neighbourhood(self) -> Neighbourhood:
        """The neighbours of each opening, and where the cloth ends."""
        place = (self.middle, self.vectors, self.light, self.levels)
        return Neighbourhood.of(self.index, *place, self.inside)

    @cached_property
    def wire_damage(self) -> tuple[Bool, Bool]:
        """The wires right of and below each opening (n, 2): missing or broken; else lit.

        Light beside a bright frame is not that of a missing wire.
        """
        torn, lit = torn_wires(
            self.light,
            self.middle,
            self.vectors,
            self.own,
            self.index,
            self.levels,
            self.wires,
            self.doubt,
        )
        missing = torn & ~(self.glaring[:, None] | self.beside_glare[:, ::2])
        return missing, lit & ~missing

    def on_both_sides(self, wires: Bool) -> Bool:
        """The openings (n,) on both sides of some `wires` (n, 2), right of or below openings.

        At the edge of a hole the next place is no opening, but the width to it is none either.
        """
        out = np.zeros(len(wires), np.bool_)
        for axis in (0, 1):
            out[wires[:, axis]] = True
            out[self.index[wires[:, axis], 2 * axis]] = True
        return out
