"""The ring of the frame: the circle in which the cloth ends.

Ring and surround may be dark, grey or as bright as openings, but along a circle around the
frame's middle they are even, and cloth is not. So of all circles near a first guess that is taken
whose outside is even furthest inward. The ring's edge on each ray then gives the circle.

    gain(c, R) = Σ over samples beyond R of (share of uneven samples that cloth exceeds − uneven)

A circle is accepted only if cloth that continued beyond it would be seen there and is not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.image import opencv
from sieve_inspect.image.light import Light
from sieve_inspect.lattice.places import SmoothMap

# Thresholds were found on 120 drawn sieves of 4 to 100 openings across (ring 0.03 to 0.95 of full
# light, surround 0.02 to 0.95, a quarter of them partly outside the picture), lengths in pitches.
_FEW = 100  # openings up to which a ring is sought even where none seems to be missing
_ENDS = 8  # openings at the cloth's end from which a circle is guessed by them
_END_MARGIN = 0.45  # pitches; so far inside the picture an opening that existed would be seen
_NEAR = 0.6  # pitches by which these ends may miss the guess
_ENDS_NEAR = 0.7  # share of them that lie within a pitch of the ring: cloth ends nowhere else
_TRIED = 400  # triples of ends
_UNEVEN = 0.2  # of the light between wire and opening by which a sample differs from its sector's
# Share of uneven samples from which it is cloth; along a circle in cloth of 125 mm, the most
# open, 12 % lie on wires (1 − (125/133)²), on a ring fewer than 1 % are dust.
_CLOTH = 0.04
_INSIDE = 1.0  # pitches inside the guess, and …
_OUTSIDE = 1.5  # … outside, over which samples are taken …
_PER_PITCH = 24  # … at so many radii a pitch
_RAYS = (96, 360)  # fewest and most
_SECTOR = np.pi / 6  # over which the light of ring and surround may change
_SECTOR_PITCHES = 1.5  # the same at least, so that wires are the smaller part of it
_STEPS = (0.5, 0.25, 0.12, 0.06, 0.03)  # pitches by which the guess is varied in turn …
_FINER = 0.2  # … and again by this share, with samples as much closer
_STARTS = (-0.8, -0.4, 0.0, 0.4, 0.8)  # pitches around the middle of few openings
_FINE_RAYS = 720
_EDGE_PX = (2.5, 6.0)  # px to both sides of the edge that are used, within a tenth of the pitch
_CONTRAST = 0.3  # of the light between wire and opening that an edge must have
_LARGEST = 20.0  # radius as a multiple of the picture's longer side; beyond it is a straight line
_CONTINUED = 0.3  # share of places beyond the ring that may look like cloth
_FEWEST_BEYOND = 4  # places beyond the ring by which this is judged; …
_ROUND = 0.5  # … where there are fewer, so much of the circle lies in the picture


@dataclass(frozen=True)
class FrameRing:
    """The inner edge of a frame: a circle of `radius` around (`x`, `y`), px.

    `whole` is true where all of it lies in the picture.
    """

    x: float
    y: float
    radius: float
    whole: bool

    def to_dict(self) -> dict[str, float | bool]:
        """JSON-ready, px to a hundredth: the ring is located no better."""
        middle = {"x_px": round(self.x, 2), "y_px": round(self.y, 2)}
        return {**middle, "radius_px": round(self.radius, 2), "whole": self.whole}

    def outline(self, points: int = 720) -> Float:
        """Points (n, 2) px along the ring, the first repeated at the end."""
        angle = np.linspace(0, 2 * np.pi, points + 1)
        ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        return np.asarray([self.x, self.y] + self.radius * ray)

    def depth(self, place: Float) -> Float:
        """How far inside the ring (...,) places (..., 2) lie, px; negative on and beyond it."""
        return np.asarray(self.radius - np.hypot(place[..., 0] - self.x, place[..., 1] - self.y))


@dataclass(frozen=True, eq=False)
class _Seen:
    """What is known of the cloth: middles (n, 2) px of the openings seen, and their light."""

    light: Light
    middle: Float
    vectors: Float  # (n, 2, 2) px
    ends: Float  # (m, 2) px, between the last openings and where the next would be
    wire: float
    opening: float

    @property
    def pitch(self) -> float:
        return float(np.median(np.linalg.norm(self.vectors, axis=2)))

    @property
    def span(self) -> float:
        return self.opening - self.wire

    def at(self, place: Float) -> Float:
        """Light (...) at places (..., 2) px; NaN outside the picture."""
        column, row = np.rint(place).astype(np.intp).transpose(-1, *range(place.ndim - 1))
        height, width = self.light.shape
        inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
        out = np.full(row.shape, np.nan)
        out[inside] = self.light[row[inside], column[inside]]
        return out

    def polar(self, circle: Float, angle: Float, radii: Float) -> Float:
        """Light (rays, radii) around the middle of `circle` (x, y, R)."""
        ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        return self.at(circle[:2] + radii[:, None] * ray[:, None, :])


def find_ring(light: Light, centre: Float, seen: Bool) -> FrameRing | None:
    """The ring around openings `centre` (rows, columns, 2) px, of which `seen` show; or None.

    `light` (h, w) has its openings bright.
    """
    cloth = _cloth(light, centre, seen)
    if cloth is None:
        return None
    guesses = []
    if len(cloth.ends) >= _ENDS:
        guesses.append(_through_ends(cloth))
    if len(cloth.middle) <= _FEW:
        middle = cloth.middle.mean(axis=0)
        radius = cloth.pitch * np.sqrt(len(cloth.middle) / np.pi) + 0.25 * cloth.pitch
        steps = np.array(list(product(_STARTS, _STARTS))) * cloth.pitch
        guesses += [np.array([*(middle + step), radius]) for step in steps]
    if not guesses:
        return None
    tried = [_Search(cloth, guess) for guess in guesses]
    best = max(tried, key=lambda search: search.gain)
    if best.gain == -np.inf:
        return None
    circle = _by_edges(cloth, _Search(cloth, best.refined(), _FINER).refined())
    if not _is_end_of_cloth(cloth, circle):
        return None
    x, y, radius = circle.tolist()
    return FrameRing(x, y, radius, _is_whole(circle, light.shape))


def _is_whole(circle: Float, shape: tuple[int, ...]) -> bool:
    x, y, radius = circle
    return bool(
        min(x, y) - radius >= 0 and x + radius <= shape[1] - 1 and y + radius <= shape[0] - 1
    )


def _cloth(light: Light, centre: Float, seen: Bool) -> _Seen | None:
    """What is known of the cloth; None where nothing beyond it could be seen."""
    row, column = np.nonzero(seen)
    middle = centre[row, column]
    if len(middle) < _FEWEST_BEYOND:
        return None
    vectors = SmoothMap.of(row, column, middle, np.ones(len(row), np.bool_)).vectors(row, column)
    outside = np.pad(~seen & ~opencv.enclosed(seen), 1, constant_values=True)
    pitch = float(np.median(np.linalg.norm(vectors, axis=2)))
    limit = np.array(light.shape[::-1]) - 1 - _END_MARGIN * pitch
    ends = []
    for axis, (down, right) in ((0, (0, 1)), (1, (1, 0))):
        for sign in (1, -1):
            last = outside[row + 1 + sign * down, column + 1 + sign * right]
            way = sign * vectors[last, axis]
            place = middle[last] + way
            room = ((place > _END_MARGIN * pitch) & (place < limit)).all(axis=1)
            ends.append((place - 0.5 * way)[room])
    end = np.concatenate(ends)
    if len(end) < _ENDS and len(middle) > _FEW:
        return None
    some = slice(None, None, max(1, len(middle) // 2000))
    known = _Seen(light, middle, vectors, end, 0.0, 0.0)
    halfway = np.concatenate([middle[some] + 0.5 * vectors[some, axis] for axis in (0, 1)])
    levels = np.nanmedian(known.at(halfway)), np.nanmedian(known.at(middle[some]))
    return replace(known, wire=float(levels[0]), opening=float(levels[1]))


def _through_ends(cloth: _Seen) -> Float:
    """The circle (x, y, R) near most ends, by random triples and least squares."""
    ends, near = cloth.ends, _NEAR * cloth.pitch
    rng = np.random.default_rng(len(ends))
    some = ends[rng.permutation(len(ends))[:1500]]
    triple = some[rng.integers(0, len(some), (_TRIED, 3))]
    # |p|² = 2 c·p + (R² − |c|²): the difference of two points is linear in c.
    ways = triple[:, 1:] - triple[:, :1]
    usable = np.abs(np.linalg.det(ways)) > cloth.pitch**2
    squares = (triple[:, 1:] ** 2 - triple[:, :1] ** 2).sum(axis=2)
    middle = np.linalg.solve(2 * ways[usable], squares[usable][..., None])[..., 0]
    radius = np.hypot(*(triple[usable, 0] - middle).T)
    off = np.abs(np.hypot(*(some[:, None] - middle).transpose(2, 0, 1)) - radius)
    best = int((off < near).sum(axis=0).argmax()) if len(middle) else -1
    if best < 0:
        return np.array([*some.mean(axis=0), np.ptp(some) / 2])
    circle = np.array([*middle[best], radius[best]])
    for _ in range(10):
        distance = np.hypot(*(some - circle[:2]).T)
        fit = np.abs(distance - circle[2]) < near
        circle = circle + _step(some[fit] - circle[:2], distance[fit] - circle[2])
    return circle


def _step(ray: Float, off: Float) -> Float:
    """What to add to a circle (x, y, R) whose edge lies `off` (n,) px further on rays (n, 2)."""
    unit = ray / np.hypot(*ray.T)[:, None]
    design = np.column_stack([unit, np.ones(len(unit))])
    return np.asarray(np.linalg.lstsq(design, off, rcond=1e-9)[0])


class _Search:
    """The best circle near a guess, by the evenness of what lies outside of it."""

    def __init__(self, cloth: _Seen, guess: Float, share: float = 1.0) -> None:
        self.cloth, self.share = cloth, share
        self.angle, self.sectors = _rays(cloth, guess)
        self.circle, self.gain = self._best_radius(guess)

    def refined(self) -> Float:
        """The circle (x, y, R) after moves in the two directions that the rays determine best."""
        for step in _STEPS:
            for _ in range(6):
                tried = [self._best_radius(guess) for guess in self._moved(self.share * step)]
                circle, gain = max(tried, key=lambda pair: pair[1])
                if gain <= self.gain:
                    break
                self.circle, self.gain = circle, gain
        return self.circle

    def _moved(self, step: float) -> list[Float]:
        """Circles whose edge lies about `step` pitches elsewhere, root mean square."""
        unit = np.stack([np.cos(self.angle), np.sin(self.angle)], axis=1)
        _, size, ways = np.linalg.svd(unit - unit.mean(axis=0), full_matrices=False)
        length = step * self.cloth.pitch * np.sqrt(len(unit)) / np.maximum(size, 1e-6)
        first, second = np.minimum(length, self.circle[2])[:, None] * ways
        moves = [a * first + b * second for a, b in product((-1, 0, 1), repeat=2) if a or b]
        return [self.circle + np.array([*m, -(unit.mean(axis=0) @ m)]) for m in moves]

    def _best_radius(self, guess: Float) -> tuple[Float, float]:
        pitch = self.share * self.cloth.pitch
        if not (np.isfinite(guess).all() and guess[2] > pitch):
            return guess, -np.inf  # ends that lie on no circle
        step = max(1.0, pitch / _PER_PITCH)
        inner = max(guess[2] - _INSIDE * pitch, step)
        radii = np.arange(inner, guess[2] + _OUTSIDE * pitch, step)
        sample = self.cloth.polar(guess, self.angle, radii)
        uneven, known = _uneven(sample, self.sectors, _UNEVEN * self.cloth.span)
        gain = (_CLOTH * known.sum(axis=0) - uneven.sum(axis=0))[::-1].cumsum()[::-1]
        best = int(gain.argmax())
        return np.array([*guess[:2], radii[best] - 0.5 * step]), float(gain[best])


def _rays(cloth: _Seen, circle: Float) -> tuple[Float, int]:
    """Angles of the rays to where the cloth ends, and the number of sectors they form."""
    x, y = (cloth.ends - circle[:2]).T
    first, span = 0.0, 2 * np.pi
    if len(x) >= _ENDS and len(cloth.middle) > _FEW:
        angle = np.sort(np.arctan2(y, x))
        gap = np.diff(angle, append=angle[0] + 2 * np.pi)
        widest = int(gap.argmax())
        beside = 2 * cloth.pitch / circle[2]
        if gap[widest] > np.pi / 3 + 2 * beside:
            first = float(angle[(widest + 1) % len(angle)]) - beside
            span = 2 * np.pi - float(gap[widest]) + 2 * beside
    step = max(1.0, cloth.pitch / _PER_PITCH)
    sectors = max(1, int(span / max(_SECTOR, _SECTOR_PITCHES * cloth.pitch / circle[2])))
    count = int(np.clip(span * circle[2] / step, *_RAYS))
    count = -(-count // sectors) * sectors
    return first + span * (np.arange(count) + 0.5) / count, sectors


def _uneven(sample: Float, sectors: int, limit: float) -> tuple[Bool, Bool]:
    """Which samples (rays, radii) differ from their sector's median, and which are known."""
    parts = sample.reshape(sectors, -1, sample.shape[1])
    middle = _median(parts)
    off = np.abs(parts - middle[:, None]) > limit
    return off.reshape(sample.shape), np.isfinite(sample)


def _median(parts: Float) -> Float:
    """Median over the second axis of what is known, NaN where nothing is."""
    ordered = np.sort(parts, axis=1)  # NaN last
    known = np.isfinite(parts).sum(axis=1)
    half = np.maximum(known - 1, 0) // 2
    return np.asarray(np.take_along_axis(ordered, half[:, None], axis=1)[:, 0])


def _by_edges(cloth: _Seen, circle: Float) -> Float:
    """The circle through the ring's edge on all rays where it stands out."""
    reach = float(np.clip(0.1 * cloth.pitch, *_EDGE_PX))
    step = 0.25
    radii = np.arange(-reach, reach + step / 2, step)
    angle, sectors = _rays(cloth, circle)
    count = -(-_FINE_RAYS // sectors) * sectors
    spread = np.interp(np.arange(count) / count, np.arange(len(angle)) / len(angle), angle)
    ray = np.stack([np.cos(spread), np.sin(spread)], axis=1)
    for within in (reach, reach / 2, 1.5, 1.0, 1.0):
        sample = cloth.polar(circle, spread, circle[2] + radii)
        few = max(2, len(radii) // 8)
        inner, own = sample[:, :few].mean(axis=1), sample[:, -few:].mean(axis=1)
        outer = _median(own.reshape(sectors, -1, 1))[:, 0].repeat(count // sectors)
        height = inner - outer
        clear = np.abs(height) > _CONTRAST * cloth.span
        clear &= np.abs(own - outer) < _UNEVEN * cloth.span
        if clear.sum() < 3 * _ENDS:
            return circle
        share = np.clip((sample[clear] - outer[clear, None]) / height[clear, None], 0, 1)
        off = radii[0] - step / 2 + step * share.sum(axis=1)
        near = np.abs(off - _mode(off, step)) < within
        moved = circle + _step(ray[clear][near], off[near])
        if not 0 < moved[2] < _LARGEST * max(cloth.light.shape):
            return circle
        circle = moved
    return circle


def _mode(value: Float, step: float) -> float:
    """The most frequent of values (n,), in steps."""
    low = float(value.min())
    count = np.convolve(np.bincount(np.rint((value - low) / step).astype(np.intp)), np.ones(3))
    return low + step * (int(count.argmax()) - 1)


def _is_end_of_cloth(cloth: _Seen, circle: Float) -> bool:
    """Whether cloth ends at the circle: uneven inside, even outside, and no cloth beyond."""
    pitch = cloth.pitch
    depth = circle[2] - np.hypot(*(cloth.middle - circle[:2]).T)
    if (depth < 0).mean() > 1.5 * _CLOTH + 2 / len(depth):
        return False
    if len(cloth.ends) >= _ENDS:
        off = np.abs(np.hypot(*(cloth.ends - circle[:2]).T) - circle[2])
        if (off < pitch).mean() < _ENDS_NEAR:
            return False
    angle, sectors = _rays(cloth, circle)
    shares = []
    for low, high in ((-_INSIDE, -0.15), (0.05, _OUTSIDE)):
        radii = circle[2] + np.arange(low * pitch, high * pitch, max(1.0, pitch / _PER_PITCH))
        sample = cloth.polar(circle, angle, radii[radii > 0] + (1.5 if low > 0 else 0))
        uneven, known = _uneven(sample, sectors, _UNEVEN * cloth.span)
        shares.append(uneven.sum() / max(1, known.sum()))
    if not (shares[0] > 1.5 * _CLOTH and shares[1] < 0.75 * _CLOTH):
        return False
    beyond = _places_beyond(cloth, circle, depth)
    if len(beyond) >= _FEWEST_BEYOND:
        return bool(beyond.mean() < _CONTINUED)
    return bool(known[:, 0].mean() > _ROUND)


def _places_beyond(cloth: _Seen, circle: Float, depth: Float) -> Bool:
    """Whether each place (n,) just beyond the circle, where cloth would continue, looks like it.

    It does where the middle is lit and all wires around it that the picture shows are dark.
    """
    pitch = cloth.pitch
    last = np.flatnonzero((depth > 0) & (depth < 1.5 * pitch))[:1000]
    steps = np.array(list(product((-2, -1, 0, 1, 2), repeat=2)), float)
    place = (cloth.middle[last][:, None] + steps @ cloth.vectors[last]).reshape(-1, 2)
    vectors = cloth.vectors[last].repeat(len(steps), axis=0)
    away = np.hypot(*(place - circle[:2]).T) - circle[2]
    beyond = np.flatnonzero((away > 0.1 * pitch + 1) & (away < 1.2 * pitch))
    _, own = np.unique(np.rint(place[beyond] / (0.5 * pitch)), axis=0, return_index=True)
    place, vectors = place[beyond[own]], vectors[beyond[own]]
    halfway = np.stack([0.5 * sign * vectors[:, k] for k in (0, 1) for sign in (1, -1)], axis=1)
    half_lit = 0.5 * (cloth.wire + cloth.opening)
    lit, wires = cloth.at(place), cloth.at(place[:, None] + halfway)
    dark = (wires < half_lit) | np.isnan(wires)
    return np.asarray((lit > half_lit) & dark.all(axis=1))[np.isfinite(lit)]
