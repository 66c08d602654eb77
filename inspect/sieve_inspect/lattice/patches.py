"""Rows and columns: openings about a pitch apart are linked; linked openings are a patch of cloth.

A wire missing right across leaves a row of openings of twice the height, over which no link leads.
The patches on both sides are of one cloth if the rows and columns of one patch, continued across
the gap, meet those of the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import cast

import numpy as np

from sieve_inspect.arrays import Bool, Float, Index

FEWEST = 4  # linked openings
_LINK = 0.34  # links may be off by this share of the pitch
_PATCH = 0.01  # size as a share of the largest patch from which a patch is considered …
_PATCHES = 40  # … and how many are
_AT_ONCE = 200_000  # openings whose links are compared together
_ACROSS = 4.4  # pitches that patches may be apart: two wires missing side by side
_NEAREST = 12  # openings on the other side with which each is compared
_AGREE = 5  # openings along the gap that must agree
_OFF = 0.2  # share of the pitch by which they may miss a whole number of rows
_MOST = 0.7  # share of the comparisons that must not
_TWICE = 0.02  # share of a patch's openings that may lie where another has one


@dataclass(frozen=True, eq=False)
class Linked:
    """Openings connected by links of about one pitch, also across missing wires.

    `index` (n, 2) are row and column of the openings that belong to the largest patch, `member`
    (n,). `elsewhere` is the size of the next largest patch as a share of this patch, `at_odds` the
    share of links that lead to another row or column than the truest links do.
    """

    index: Index
    member: Bool
    elsewhere: float = 0.0
    at_odds: float = 0.0


def link(peaks: Float, vectors: Float) -> Linked:
    """Rows and columns of the openings at `peaks` (n, 2) px, about `vectors` (2, 2) px apart."""
    count = len(peaks)
    links = _links(peaks, vectors) if count >= FEWEST else np.zeros((2, 0), np.intp)
    if not links.size:
        return Linked(np.zeros((count, 2), np.intp), np.zeros(count, np.bool_))
    placed, label = _along_truest(count, links, _steps(peaks, vectors, *links))
    sizes = np.bincount(label)
    patches = np.argsort(-sizes, kind="stable")
    patches = patches[sizes[patches] >= max(FEWEST, _PATCH * sizes[patches[0]])][:_PATCHES]
    if not len(patches):
        return Linked(placed, label == np.argmax(sizes))
    at_odds = _inconsistent(links, peaks, vectors, placed, np.isin(label, patches))
    joined = _joined(peaks, placed, [label == patch for patch in patches])
    return Linked(*joined, at_odds / links.shape[1])


def _links(peaks: Float, vectors: Float) -> Index:
    """Pairs (2, m) of openings whose distance is about a vector, the truest first.

    Truest is what misses its vector least.
    """
    reach = _LINK * float(np.hypot(*vectors.T).min())
    start, end, miss = [], [], []
    nearest = _Nearest(peaks, reach)
    for vector in vectors:
        other, distance = nearest(peaks + vector)
        hit = np.flatnonzero(other >= 0)
        start.append(hit)
        end.append(other[hit])
        miss.append(distance[hit])
    order = np.argsort(np.concatenate(miss), kind="stable")
    ends = [np.concatenate(side)[order].astype(np.int32) for side in (start, end)]
    return cast(Index, np.stack(ends))  # of a million openings every byte counts


class _Nearest:
    """Finds the nearest of some points (n, 2) within a reach, px, by a raster of cells so wide."""

    def __init__(self, points: Float, reach: float) -> None:
        self.points, self.reach = points, reach
        self.first = points.min(axis=0) - 2 * reach
        self.shape = (np.ptp(points, axis=0) // reach).astype(np.intp) + 5
        cell = self._cell(points)
        layers = []
        left = np.arange(len(points))
        while len(left):  # the points of a cell stand in several layers
            layer = np.full(self.shape.prod(), -1, np.int32)
            layer[cell[left]] = left
            layers.append(layer)
            left = left[layer[cell[left]] != left]
        self.layers = layers

    def _cell(self, points: Float) -> Index:
        column, row = np.clip((points - self.first) // self.reach, 1, self.shape - 2).T
        return np.asarray(row * self.shape[0] + column, np.intp)

    def __call__(self, wanted: Float) -> tuple[Index, Float]:
        """Numbers (m,) of the points nearest to the places `wanted` (m, 2), -1 for none; px."""
        cell = self._cell(wanted)
        best, least = np.full(len(wanted), -1), np.full(len(wanted), self.reach**2)
        for layer, down, right in product(self.layers, (-1, 0, 1), (-1, 0, 1)):
            other = layer[cell + down * self.shape[0] + right]
            there = np.flatnonzero(other >= 0)
            other = other[there]
            square = ((self.points[other] - wanted[there]) ** 2).sum(axis=1)
            nearer = square < least[there]
            best[there[nearer]], least[there[nearer]] = other[nearer], square[nearer]
        return best, np.sqrt(least)


def _along_truest(count: int, links: Index, step: Index) -> tuple[Index, Index]:
    """Row and column (n, 2) along the tree of the truest `links` (2, m), and connected parts (n,).

    `step` (m, 2) are the links' steps. In every round each part follows the truest link that
    leads out of it (Borůvka, 1926).
    """
    part, placed = np.arange(count), np.zeros((count, 2), np.intp)
    while True:
        ends = part[links]
        out = np.flatnonzero(ends[0] != ends[1])
        if not len(out):
            return placed, np.unique(part, return_inverse=True)[1]
        links, step, ends = links[:, out], step[out], ends[:, out]
        truest = np.full(count, len(out))
        for side in ends:
            number = np.arange(len(out))[::-1]
            seen = np.full(count, len(out))
            seen[side[::-1]] = number  # of several values the last, which is the lowest, stays
            np.minimum(truest, seen, out=truest)
        here = np.flatnonzero(truest < len(out))
        link = truest[here]
        forward = ends[0, link] == here
        parent, shift = np.arange(count), np.zeros_like(placed)
        parent[here] = np.where(forward, ends[1, link], ends[0, link])
        way = placed[links[1, link]] - placed[links[0, link]] - step[link]
        shift[here] = np.where(forward, 1, -1)[:, None] * way
        # Two parts that follow the same link: the first stays where it is.
        mutual = here[(parent[parent[here]] == here) & (here < parent[here])]
        parent[mutual], shift[mutual] = mutual, 0
        moved, root = _summed_steps(shift, parent)
        placed += moved[part]
        part = np.asarray(root[part])


def _inconsistent(links: Index, peaks: Float, vectors: Float, placed: Index, member: Bool) -> int:
    """Number of links between the openings `member` (n,) that contradict their `placed` (n, 2)."""
    total = 0
    for first in range(0, links.shape[1], _AT_ONCE):
        here, there = links[:, first : first + _AT_ONCE]
        odd = placed[there] - placed[here] != _steps(peaks, vectors, here, there)
        total += int((odd.any(axis=1) & member[here]).sum())
    return total


def _steps(peaks: Float, vectors: Float, here: Index, there: Index) -> Index:
    """(row, column) steps (m, 2) of links, which are accurate to a third of the pitch."""
    share = (peaks[there] - peaks[here]) @ np.linalg.inv(vectors)
    return np.rint(share[:, ::-1]).astype(np.intp)


def _summed_steps(step: Index, parent: Index) -> tuple[Index, Index]:
    """The sums (n, 2) of the steps from its root to every node, and the roots (n,).

    A root is its own parent, its step zero.

    Every round doubles the length of the path already summed.
    """
    total, ancestor = step.copy(), parent.copy()
    while True:
        further = ancestor[ancestor]
        if np.array_equal(further, ancestor):
            return total, ancestor
        total += total[ancestor]
        ancestor = further


def _joined(peaks: Float, index: Index, patches: Sequence[Bool]) -> tuple[Index, Bool, float]:
    """Join to the first of the `patches` (n,) of `peaks` (n, 2) px those that continue it.

    `index` (n, 2) are row and column, each patch counted from its own origin. Returns the
    index, the members of the joined patch, and the size of the largest other as a share of it.
    """
    member, others = patches[0].copy(), list(patches[1:])
    if not others:
        return index, member, 0.0
    index = index.copy()
    grown = True
    while grown:
        grown = False
        for patch in list(others):
            offset = _offset(peaks, index, member, patch)
            if offset is not None:
                index[patch] += offset
                member |= patch
                others = [o for o in others if o is not patch]
                grown = True
    left = max((int(o.sum()) for o in others), default=0)
    return index, member, left / int(member.sum())


def _offset(peaks: Float, index: Index, member: Bool, patch: Bool) -> Index | None:
    """What to add to a patch's rows and columns so that they continue `member`'s, or None."""
    from scipy.spatial import cKDTree

    here, there = np.flatnonzero(member), np.flatnonzero(patch)
    affine = np.column_stack([index[here], np.ones(len(here))])
    steps = np.linalg.lstsq(affine, peaks[here], rcond=None)[0][:2]  # by row, by column
    if abs(np.linalg.det(steps)) < 1e-9:
        return None
    reach = _ACROSS * float(np.hypot(*steps.T).max())
    distance, near = cKDTree(peaks[here]).query(
        peaks[there], _NEAREST, distance_upper_bound=reach, workers=2
    )
    which, other = np.nonzero(np.isfinite(distance))
    if len(np.unique(which)) < _AGREE:
        return None
    a, b = here[np.asarray(near)[which, other]], there[which]
    wanted = index[a] + (peaks[b] - peaks[a]) @ np.linalg.inv(steps) - index[b]
    offset = np.rint(np.median(wanted, axis=0)).astype(np.intp)
    if (np.abs(wanted - offset).max(axis=1) < _OFF).mean() < _MOST:
        return None
    taken = {tuple(i) for i in index[here].tolist()}
    twice = sum(tuple(i) in taken for i in (index[there] + offset).tolist())
    return offset if twice <= _TWICE * len(there) else None
