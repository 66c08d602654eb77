"""Faults of the cloth: torn, displaced and blocked apertures, dust and fibres."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.synthetic.debris import Blob, Capsule, blob_filling, fibre_along
from sieve_inspect.synthetic.frame import Frame
from sieve_inspect.synthetic.model import Cloth, Damage, Ring
from sieve_inspect.synthetic.scene import Scene
from sieve_inspect.synthetic.truth import Truth, build_truth, with_state
from sieve_inspect.synthetic.wires import Family


@dataclass(frozen=True)
class Cut:
    """A missing piece of wire: wire `wire` of `family`, from `start` to `stop` (px) along it."""

    family: int
    wire: int
    start: float
    stop: float

    def open_up(self, scene: Scene, share: Float32, x: Float, y: Float, step_px: float) -> None:
        """Let light through in place of the wire, on the grid `x` (m) by `y` (n) of squares, px."""
        own = scene.families[self.family]
        middle = own.centres[self.wire]
        gaps = (own.high - own.low)[self.wire - 1 : self.wire + 1]
        # The wire's own zone, into the gaps on both sides but short of the next wires.
        reach = own.widths[self.wire] / 2 + 0.4 * float(gaps.min())
        s = np.array([middle - reach, middle + reach, middle - reach, middle + reach])
        t = np.array([self.start, self.start, self.stop, self.stop])
        px, py = scene.frame.to_picture(*((s, t) if self.family == 0 else (t, s)))
        box = box_of(x, y, (px.min() - 2, px.max() + 2, py.min() - 2, py.max() + 2))
        if box is None:
            return
        xs, ys = x[box[1]], y[box[0]]
        s, t = scene.frame.to_cloth(xs[None, :], ys[:, None])
        along, across = (s, t) if self.family == 0 else (t, s)
        shares = list(scene.shares(xs, ys, step_px))
        cover = scene.edge(1 - self.family, step_px)
        gone = cover(np.minimum(across - self.start, self.stop - across))
        gone *= np.abs(along - middle) <= reach
        shares[self.family] += (1 - shares[self.family]) * gone
        share[box] = shares[0] * shares[1]


def box_of(
    x: Float, y: Float, bounds: tuple[float, float, float, float]
) -> tuple[slice, slice] | None:
    """The part (rows, columns) of a grid within bounds (x0, x1, y0, y1), or None."""
    c0, c1 = np.searchsorted(x, bounds[:2])
    r0, r1 = np.searchsorted(y, bounds[2:])
    return None if c0 == c1 or r0 == r1 else (slice(int(r0), int(r1)), slice(int(c0), int(c1)))


@dataclass(frozen=True)
class Faults:
    """Everything to draw over the sound cloth."""

    cuts: tuple[Cut, ...] = ()
    matter: tuple[Blob | Capsule, ...] = ()

    def draw(self, scene: Scene, share: Float32, x: Float, y: Float, step_px: float) -> None:
        """Change the open share of a grid of squares in place."""
        for cut in self.cuts:
            cut.open_up(scene, share, x, y, step_px)
        for piece in self.matter:
            box = box_of(x, y, piece.bounds)
            if box is not None:
                let_through = 1 - piece.cover(x[None, box[1]], y[box[0], None], step_px)
                share[box] = np.minimum(share[box], let_through)


class _Places:
    """Random apertures (k, r) for faults, each clear of all others."""

    def __init__(self, complete: NDArray[np.int64], rng: np.random.Generator) -> None:
        self._free = complete[rng.permutation(len(complete))]
        self._complete = _key(complete)

    def take(self, cells: list[tuple[int, int]], clear: int) -> list[tuple[int, int]]:
        """Move `cells` (k, r) to a free place where all of them are complete; empty if none."""
        fits = np.ones(len(self._free), bool)
        for cell in cells:
            fits &= np.isin(_key(self._free + np.array(cell)), self._complete)
        if not fits.any():
            return []
        place = self._free[int(fits.argmax())]
        far = np.max(np.abs(self._free - place), axis=1) > clear
        self._free = self._free[far]
        return [(int(place[0]) + k, int(place[1]) + r) for k, r in cells]


def _beside_wire(family: int, length: int) -> list[tuple[int, int]]:
    """The apertures on both sides of wire 0 along `length` gaps, first those at gap 0."""
    pairs = [(gap, station) for station in range(length) for gap in (0, -1)]
    return pairs if family == 0 else [(b, a) for a, b in pairs]


def circle_of(ring: Ring | None, shape: tuple[int, int]) -> tuple[float, float, float] | None:
    """The cloth's circle (x, y, radius) in px."""
    if ring is None:
        return None
    return *ring_centre(ring, shape), ring.radius_px


def ring_centre(ring: Ring, shape: tuple[int, int]) -> tuple[float, float]:
    """The middle (x, y) of a ring in a picture of `shape` (height, width), px."""
    return ring.centre_px or ((shape[1] - 1) / 2, (shape[0] - 1) / 2)


def place_faults(
    cloth: Cloth, frame: Frame, families: tuple[Family, Family], shape: tuple[int, int]
) -> tuple[tuple[Family, Family], Truth, Faults]:
    """Choose the faults and move the displaced wires; the families, the truth, the faults."""
    damage, circle = cloth.damage, circle_of(cloth.ring, shape)
    rng = np.random.default_rng([cloth.seed, 3])
    truth, number = build_truth(frame, families, shape, circle)
    places = _Places(number[truth.complete], rng)
    families, aside = _displace(damage, families, places, rng)
    truth, number = build_truth(frame, families, shape, circle)
    displaced = np.isin(_key(number), [_key(np.array(p)) for p in aside])
    truth = replace(truth, displaced=displaced)
    cuts, torn = _tear(damage, families, places, rng)
    truth = with_state(truth, "torn", np.isin(_key(number), [_key(np.array(p)) for p in torn]))
    truth, blobs = _block(damage, truth, number, places, rng)
    litter, touched = _litter(damage, truth, shape, rng)
    truth = replace(truth, touched=touched)
    matter = (*blobs, *litter)
    truth = replace(truth, blocked_share=_covered(truth, matter))
    return families, truth, Faults(tuple(cuts), matter)


def _key(pair: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.asarray(pair[..., 0] * 1_000_000 + pair[..., 1])


def _displace(
    damage: Damage, families: tuple[Family, Family], places: _Places, rng: np.random.Generator
) -> tuple[tuple[Family, Family], list[tuple[int, int]]]:
    """Displace wires over a few apertures; also the apertures (k, r) on both sides."""
    wander = [f.wander.copy() for f in families]
    touched: list[tuple[int, int]] = []
    for _ in range(damage.displaced):
        i = int(rng.integers(2))
        cells = _beside_wire(i, damage.displaced_length)
        joined = places.take(cells, damage.displaced_length + 2)
        if not joined:
            break
        wire, start = joined[0][i], joined[0][1 - i]
        push = damage.displaced_px * (1 if rng.random() < 0.5 else -1)
        for n in range(damage.displaced_length):
            # full push in the middle, less at both ends
            part = np.sin(np.pi * (n + 1) / (damage.displaced_length + 1))
            wander[i][wire, start + n] += push * part
        touched += joined
    moved = tuple(replace(f, wander=w) for f, w in zip(families, wander, strict=True))
    return (moved[0], moved[1]), touched


def _tear(
    damage: Damage, families: tuple[Family, Family], places: _Places, rng: np.random.Generator
) -> tuple[list[Cut], list[tuple[int, int]]]:
    """Remove pieces of wire: the cuts, and the apertures (k, r) they join."""
    cuts: list[Cut] = []
    torn: list[tuple[int, int]] = []
    lengths = [damage.missing_length] * damage.missing + [0] * damage.broken
    for length in lengths:
        i = int(rng.integers(2))
        joined = places.take(_beside_wire(i, max(length, 1)), max(length, 1) + 2)
        if not joined:
            break
        wire, start = joined[0][i], joined[0][1 - i]
        other = families[1 - i]
        if length:  # from the middle of one crossing wire to the middle of another
            first, last = other.centres[start], other.centres[start + length]
        else:  # a break within one aperture
            middle = (other.low[start] + other.high[start]) / 2
            reach = (other.high[start] - other.low[start]) * rng.uniform(0.15, 0.3)
            first, last = middle - reach, middle + reach
        cuts.append(Cut(i, wire, float(first), float(last)))
        torn += joined
    return cuts, torn


def _block(
    damage: Damage,
    truth: Truth,
    number: NDArray[np.int64],
    places: _Places,
    rng: np.random.Generator,
) -> tuple[Truth, list[Blob]]:
    blobs: list[Blob] = []
    hit = np.zeros(len(truth), bool)
    for _ in range(damage.blocked):
        place = places.take([(0, 0)], 1)
        if not place:
            break
        index = int(np.flatnonzero((number == place[0]).all(axis=1))[0])
        share = rng.uniform(*damage.blocked_share)
        blobs.append(blob_filling(truth.edges_x[index], truth.edges_y[index], share, rng))
        hit[index] = True
    return with_state(truth, "blocked", hit), blobs


def _litter(
    damage: Damage, truth: Truth, shape: tuple[int, int], rng: np.random.Generator
) -> tuple[list[Blob | Capsule], Bool]:
    """Dust and fibres anywhere in the picture, and which apertures they touch."""
    pieces: list[Blob | Capsule] = []
    for _ in range(damage.dust):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        pieces.append(Blob.rough(x, y, rng.uniform(*damage.dust_radius_px), rng))
    for _ in range(damage.fibres):
        pieces.extend(fibre_along(shape, damage.fibre_px, damage.fibre_opacity, rng))
    return pieces, _covered(truth, tuple(pieces)) > 0


def _covered(truth: Truth, matter: tuple[Blob | Capsule, ...]) -> Float:
    """Share of each aperture's open area that is covered, on a grid of 32 × 32 points."""
    covered = np.zeros(len(truth))
    if not matter:
        return covered
    offsets = (np.arange(32) + 0.5) / 32 - 0.5
    reach = np.linalg.norm(truth.edges_x[:, 1] - truth.edges_x[:, 0], axis=1)
    reach = reach + np.linalg.norm(truth.edges_y[:, 1] - truth.edges_y[:, 0], axis=1)
    hidden: dict[int, Float] = {}
    for piece in matter:
        x0, x1, y0, y1 = piece.bounds
        near = (truth.x_px > x0 - reach) & (truth.x_px < x1 + reach)
        near &= (truth.y_px > y0 - reach) & (truth.y_px < y1 + reach)
        for index in (int(i) for i in np.flatnonzero(near)):
            step_x = truth.edges_x[index, 1] - truth.edges_x[index, 0]
            step_y = truth.edges_y[index, 1] - truth.edges_y[index, 0]
            x = truth.x_px[index] + offsets[:, None] * step_x[0] + offsets[None, :] * step_y[0]
            y = truth.y_px[index] + offsets[:, None] * step_x[1] + offsets[None, :] * step_y[1]
            cover = piece.cover(x, y, 0.02)
            hidden[index] = np.maximum(hidden.get(index, np.zeros_like(cover)), cover)
    for index, cover in hidden.items():
        covered[index] = float(cover.mean())
    return covered
