"""Openings in their picture: where they lie, what darkens them, and whether their wires are there.

Properties are computed when a rule first needs them. How the thresholds were checked: see `states`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sieve_inspect.apertures.fit_rules import MOVES, FittedOpenings
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.field_maps import Levels
from sieve_inspect.image.light import Light
from sieve_inspect.lattice.places import expected_places
from sieve_inspect.lattice.ring import FrameRing

# The sides of an opening are blurred; its inner part begins so far inside of them that they do
# not darken it below 0.6 of its light: so many px for the pixel's own width, and so many Gaussian
# sigmas of the blur (Φ(1.2) = 0.88). Of 16,539 openings of the study in `states` 1 and 1, 5 and 9
# changed their state with these 15 % lower and higher.
SIDE_MARGIN_PX = 0.4
SIDE_MARGIN_BLUR = 1.2
# Half the inner part is at least this share of the opening, whatever the blur. 1 and 0.
SMALLEST_INNER = 0.2
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
_PIXELS_AT_ONCE = 1 << 16  # examined together: their intermediate arrays stay in the cache

_STATIONS = np.linspace(-0.4, 0.4, 9)  # shares of the opening, along the wire
_WAY = (0.2, 0.8)  # of the way from middle to middle: there the wire is sought, …
_SPAN = 0.6  # … over this share of the way, in …
_STEP_OF_WIRE = 0.25  # … steps of this share of the wire, at least …
_STEP_PX = 0.7  # … px, and …
_STEPS = (7, 41)  # … so many of them
_LIT = 0.5  # of the way from the usual light of a wire's middle to an opening's
_USUAL_FROM = 2000  # wires from which that usual light is taken
_LINES_AT_ONCE = 20_000  # stations' lines evaluated together
_DARKEST_USUAL = 0.8  # of an opening's light: through a wire lit more than this no hole shows

# Share of the light of an opening (above the wires') by which a place may differ from an opening
# and still be taken for one. A frame little brighter than openings has to differ by more. Free
# from 0.051 to 0.12.
_LIKE_OPENING = 0.06
# px, and Gaussian sigmas of the blur, so far inside the ring its light reaches.
_RING_MARGIN_PX = 1.0
_RING_MARGIN_BLUR = 2.0
# Of the pitch: so far inside the picture, cloth that continued would be seen. Free from 0.3 to 1.2.
_RIM_MARGIN = 0.6


@dataclass(frozen=True, eq=False)
class OpeningSet(FittedOpenings):
    """n openings with their fits and the picture they lie in.

    `fitted` (n, 2) px are the middles of the fits, which become those of the result; `vectors`
    (n, 2, 2) px the local lattice; `levels` the light of wires and openings; `blur` px the Gaussian
    sigma of the edges; `doubt` (n,) marks the openings whose pixels are examined, where it is known
    that the others are lit and between undamaged wires, None examines all; `ring` is the frame's
    where it was located.
    """

    light: Light
    fitted: Float
    vectors: Float
    levels: Levels
    blur: float
    doubt: Bool | None
    ring: FrameRing | None = None

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

    @cached_property
    def inner_dark(self) -> Float:
        """Dark share (n,) of the part of each opening that its blurred sides do not darken."""
        which = self.examined
        narrow = self.size - _NARROW_SPREADS * np.minimum(self.spread, _NARROW_SHARE * self.size)
        bound = np.where(self.sound[which, None], self.size, narrow)
        margin = SIDE_MARGIN_PX + SIDE_MARGIN_BLUR * self.blur
        half = 0.5 * np.minimum(self.own[which], bound) - margin
        return _dark_share(self, np.maximum(half, SMALLEST_INNER * self.size), _DARK)

    @cached_property
    def filled(self) -> Float:
        """Covered share (n,) of the openings' area.

        At half light the blurred wires end where they do: darker pixels within are covered.
        """
        half = 0.5 * self.own[self.examined] - _HALF_LIGHT_MARGIN_PX
        return _dark_share(self, half, _HALF_LIGHT)

    @cached_property
    def inside(self) -> Float:
        """Light (n,) in the middle of each opening."""
        inside = self.levels.top.copy()
        inside[self.examined] = light_at(self.light, self.middle[self.examined])
        return inside

    def corners(self, which: Index, grown: float | Float) -> Float:
        """Corners (4, m, 2) px of some openings, made larger by `grown` px or (m, 2) px."""
        size, vectors = self.own[which] + grown, self.vectors[which]
        unit = vectors / np.linalg.norm(vectors, axis=2, keepdims=True)
        first, second = (0.5 * size[:, k, None] * unit[:, k] for k in (0, 1))
        return np.stack(
            [self.middle[which] + i * first + j * second for i in (-1, 1) for j in (-1, 1)]
        )

    def reaches_ring(self, grown: float | Float) -> Bool:
        """Openings (n,) that reach beyond the ring when made larger by `grown` px or (n, 2) px."""
        if self.ring is None:
            return np.zeros(len(self.row), np.bool_)
        depth = self.ring.depth(self.corners(np.arange(len(self.row)), grown))
        return np.asarray((depth < 0).any(axis=0))

    @property
    def ring_margin(self) -> float:
        """How far (px) inside the ring its light reaches."""
        return _RING_MARGIN_PX + _RING_MARGIN_BLUR * self.blur

    @cached_property
    def glaring(self) -> Bool:
        """Openings (n,) brighter than cloth shows them: a bright frame that was not located."""
        if self.ring is not None:
            return np.zeros(len(self.row), np.bool_)
        span = self.levels.top - self.levels.floor
        return np.asarray(self.inside > self.levels.top + _LIKE_OPENING * span)

    @cached_property
    def beside_glare(self) -> Bool:
        """Neighbours (n, 4) that are brighter than cloth shows them."""
        return np.asarray(self.glaring[self.index] & (self.index >= 0))

    @cached_property
    def cloth_end(self) -> tuple[Bool, Bool]:
        """The last openings (n,) of the cloth, and those of them (n,) at its rim.

        None where the ring was located: it tells what is cut.
        """
        if self.ring is not None:
            return np.zeros(len(self.row), np.bool_), np.zeros(len(self.row), np.bool_)
        return _cloth_end(self)

    @cached_property
    def wire_damage(self) -> tuple[Bool, Bool]:
        """The wires right of and below each opening (n, 2): missing or broken; else lit.

        Light beside a bright frame is not that of a missing wire.
        """
        torn, lit = _torn_wires(self)
        missing = torn & ~(self.glaring[:, None] | self.beside_glare[:, ::2])
        return missing, lit & ~missing

    def on_both_sides(self, wires: Bool) -> Bool:
        """The openings (n,) on both sides of some `wires` (n, 2), right of or below openings.

        At the edge of a hole the next place is not an opening, nor is the width to it valid.
        """
        out = np.zeros(len(wires), np.bool_)
        for axis in (0, 1):
            out[wires[:, axis]] = True
            out[self.index[wires[:, axis], 2 * axis]] = True
        return out


def light_at(light: Light, place: Float) -> Float:
    """Mean light (n,) of the nine pixels at each place (n, 2) px, the border's where outside."""
    column, row = np.rint(place).astype(np.intp).T
    height, width = light.shape
    nine = [
        light[np.clip(row + i, 0, height - 1), np.clip(column + j, 0, width - 1)]
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
    ]
    return np.asarray(np.mean(nine, axis=0), np.float64)


def _dark_share(openings: OpeningSet, half: Float, level: float) -> Float:
    """Share (n,) of dark pixels within `half` (m, 2) px of the m examined middles; 0 elsewhere.

    Dark is below `level`, 0 for a wire's light and 1 for an opening's. Pixels beyond the border
    are not counted.
    """
    which = openings.examined
    centre, levels = openings.middle[which], openings.levels.take(which)
    extent = int(np.ceil(half.max(axis=0).sum())) + 2
    grid = np.arange(-extent, extent + 1)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    unit = openings.vectors[which].mean(axis=0)
    unit = unit / np.linalg.norm(unit, axis=1, keepdims=True)
    inverse = np.linalg.inv(unit.T)
    near = (np.abs(inverse @ np.stack([x, y])) <= half.max(axis=0)[:, None] + 1).all(axis=0)
    x, y = x[near], y[near]
    base = np.rint(centre).astype(np.intp)
    rest = base - centre
    height, width = openings.light.shape
    limit = levels.floor + level * (levels.top - levels.floor)
    dark = np.zeros(len(openings.row), openings.fits[0].parameters.dtype)
    step = max(1, _PIXELS_AT_ONCE // len(x))
    for first in range(0, len(which), step):
        part = slice(first, first + step)
        column, row = base[part, :1] + x, base[part, 1:] + y
        counted = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        dx, dy = rest[part, :1] + x, rest[part, 1:] + y
        for k in (0, 1):
            counted &= np.abs(inverse[k, 0] * dx + inverse[k, 1] * dy) <= half[part, k, None]
        np.clip(column, 0, width - 1, out=column)
        np.clip(row, 0, height - 1, out=row)
        below = counted & (openings.light[row, column] < limit[part, None])
        dark[which[part]] = below.sum(axis=1) / np.maximum(counted.sum(axis=1), 1)
    return dark


def _torn_wires(openings: OpeningSet) -> tuple[Bool, Bool]:
    """Missing or broken wires (n, 2) right of and below every opening, and lit wires (n, 2).

    Between two openings lies a wire. At every station along it, the darkest place on the way
    across is the wire, however far it is displaced; a station where even that place is lit is a
    hole. A wire is lit where light shows in its place, even if no opening lies beyond. Both are
    false where there is no neighbour; a wire is not missing where either of its openings has no
    crossing wire to end at, for that is no opening. Wires with no opening in doubt beside them are
    taken to be undamaged.
    """
    index, count = openings.index, len(openings.row)
    anywhere, all_along, examined = (np.zeros((count, 2), np.bool_) for _ in range(3))
    for axis in (0, 1):
        pairs = _examined_pairs(index[:, 2 * axis], openings.doubt)
        if not len(pairs):
            continue
        height = _darkest(openings, pairs, axis)
        lit = height > _LIT * (1 + np.clip(np.median(height, axis=0), 0, _DARKEST_USUAL))
        anywhere[pairs, axis], all_along[pairs, axis] = lit.any(axis=1), lit.all(axis=1)
        examined[pairs, axis] = True
    out = np.zeros((count, 2), np.bool_)
    for axis in (0, 1):
        closed = ~all_along[:, 1 - axis] & examined[:, 1 - axis]
        before = index[:, 3 - 2 * axis]  # whose next wire is the wire before
        closed |= closed[before] & (before >= 0)
        after = index[:, 2 * axis]
        out[:, axis] = anywhere[:, axis] & closed & closed[after] & (after >= 0)
    return out, anywhere


def _examined_pairs(after: Index, doubt: Bool | None) -> Index:
    """Numbers (m,) of the openings whose next wire is examined: those with an opening `after`.

    Besides those in doubt some two thousand others, which show what is usual.
    """
    wanted = after >= 0
    if doubt is not None:
        some = np.arange(len(after)) % max(1, len(after) // _USUAL_FROM) == 0
        wanted &= doubt | doubt[after] | some
    return np.flatnonzero(wanted)


def _darkest(openings: OpeningSet, pairs: Index, axis: int) -> Float:
    """Darkest light (m, stations) between the openings `pairs` (m,) and the next in a direction.

    0 is a wire's, 1 an opening's light; places outside the picture or the ring count as dark.
    """
    middle, light, levels = openings.middle, openings.light, openings.levels
    way = middle[openings.index[pairs, 2 * axis]] - middle[pairs]
    length = float(np.median(np.hypot(*way.T)))
    step = max(_STEP_OF_WIRE * openings.wires[axis], _STEP_PX)
    steps = int(np.clip(np.ceil(_SPAN * length / step), *_STEPS))
    along = openings.vectors[pairs, 1 - axis]
    along = along / np.hypot(*along.T)[:, None] * openings.own[pairs, 1 - axis, None]
    floor = levels.floor[pairs]
    span = (levels.top - levels.floor)[pairs]
    height, width = light.shape
    shares = np.linspace(*_WAY, steps)[:, None, None]
    lowest = np.empty((len(pairs), len(_STATIONS)))
    parts = max(1, len(pairs) * steps // _LINES_AT_ONCE)
    for some in np.array_split(np.arange(len(pairs)), parts):
        base = middle[pairs[some], None, None] + shares * way[some, None, None]
        point = base + _STATIONS[:, None] * along[some, None, None]
        x, y = np.rint(point).astype(np.intp).transpose(3, 0, 1, 2)
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        value = light[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
        value = (value - floor[some, None, None]) / span[some, None, None]
        if openings.ring is not None:
            inside &= openings.ring.depth(point) > openings.ring_margin
        lowest[some] = np.where(inside, value, 0.0).min(axis=1)
    return lowest


def _cloth_end(openings: OpeningSet) -> tuple[Bool, Bool]:
    """The last openings (n,) of the cloth, and those of them (n,) at its rim.

    The last lack a neighbour whose middle the picture would show, and nothing shines there like
    an opening. At the rim the cloth itself ends: what should follow is dark or far inside the
    picture.
    """
    index, levels, light = openings.index, openings.levels, openings.light
    half_lit = 0.5 * (levels.floor + levels.top)
    margin = _RIM_MARGIN * float(np.median(np.linalg.norm(openings.vectors, axis=2)))
    last, rim, far_inside = (np.zeros(len(index), np.bool_) for _ in range(3))
    for k, (r, c) in enumerate(MOVES):
        lacking = np.flatnonzero(index[:, k] < 0)
        steps = openings.vectors[lacking]
        place = openings.middle[lacking] + c * steps[:, 0] + r * steps[:, 1]
        within = _within(place, light.shape, 0)
        lacking, place = lacking[within], place[within]
        there = light_at(light, place)
        usual, span = levels.top[lacking], (levels.top - levels.floor)[lacking]
        # As bright as an opening, it is an opening that lost its wire: the cloth continues.
        unlike = np.abs(there - usual) > _LIKE_OPENING * span
        last[lacking] |= unlike
        dark, deep = there < half_lit[lacking], _within(place, light.shape, margin)
        outermost = _outermost(openings.row, openings.column, r, c)[lacking]
        rim[lacking] |= outermost & (dark | (unlike & deep))
        far_inside[lacking] |= outermost & deep & (dark | unlike)
    # Beside the picture's border a dark place may be a blocked opening that the border cuts.
    rim |= _with_dark_openings(rim & far_inside, openings.inside > half_lit, index)
    return last | rim, rim


def _within(place: Float, shape: tuple[int, ...], margin: float) -> Bool:
    x, y = place.T
    across = (x > margin) & (x < shape[1] - 1 - margin)
    return np.asarray(across & (y > margin) & (y < shape[0] - 1 - margin))


def _outermost(row: Index, column: Index, r: int, c: int) -> Bool:
    """The openings (n,) beyond which none was located in the direction (r, c) of the lattice."""
    line, place = (column, r * row) if r else (row, c * column)
    last = np.full(int(line.max()) + 1, np.iinfo(np.int64).min)
    np.maximum.at(last, line, place)
    return np.asarray(place == last[line])


def _with_dark_openings(rim: Bool, lit: Bool, index: Index) -> Bool:
    """The rim and the openings beside its dark ones: a dark frame reaches over both.

    No further: blocked openings hang together too, in a clogged cloth right across it.
    """
    beyond = rim & ~lit
    return np.asarray(rim | (beyond[index] & (index >= 0)).any(axis=1))
