"""Rows and columns: openings about a pitch apart are linked; linked openings are a patch of cloth.

A wire missing right across leaves a row of openings of twice the height, over which no link leads.
The patches on both sides are of one cloth if the rows and columns of one patch, continued across
the gap, meet those of the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

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
    from scipy.sparse.csgraph import breadth_first_order, connected_components
    from scipy.sparse.csgraph import minimum_spanning_tree as spanning_tree

    count = len(peaks)
    index = np.zeros((count, 2), np.intp)
    graph = _links(peaks, vectors) if count >= FEWEST else None
    if graph is None:
        return Linked(index, np.zeros(count, np.bool_))
    _, label = connected_components(graph, directed=False)
    sizes = np.bincount(label)
    patches = np.argsort(-sizes, kind="stable")
    patches = patches[sizes[patches] >= max(FEWEST, _PATCH * sizes[patches[0]])][:_PATCHES]
    if not len(patches):
        return Linked(index, label == np.argmax(sizes))
    branches = spanning_tree(graph)
    parent = np.arange(count)
    for patch in patches:
        root = int(np.flatnonzero(label == patch)[0])
        order, before = breadth_first_order(branches, root, directed=False)
        parent[order[1:]] = before[order[1:]]
    placed = _summed_steps(_steps(peaks, vectors, parent, np.arange(count)), parent)
    at_odds = _inconsistent(graph, peaks, vectors, placed, np.isin(label, patches))
    joined = _joined(peaks, placed, [label == patch for patch in patches])
    return Linked(*joined, at_odds / graph.nnz)


def _links(peaks: Float, vectors: Float) -> Any:
    """The graph of openings (n, n) whose distance is about a vector; None without any link.

    A link costs by how much it misses the vector, so that the truest links form the tree.
    """
    from scipy.sparse import coo_array
    from scipy.spatial import cKDTree

    tree = cKDTree(peaks)
    reach = _LINK * float(np.hypot(*vectors.T).min())
    start, end, cost = [], [], []
    for vector in vectors:
        nearest = tree.query(peaks + vector, distance_upper_bound=reach, workers=2)
        distance, other = np.asarray(nearest[0]), np.asarray(nearest[1])
        hit = np.flatnonzero(np.isfinite(distance))
        start.append(hit)
        end.append(other[hit])
        cost.append(distance[hit] + 1e-6 * reach)
    places = np.concatenate(start), np.concatenate(end)
    costs = np.concatenate(cost)
    del tree, start, end, cost  # of a large cloth they are hundreds of megabytes
    if not len(costs):
        return None
    return coo_array((costs, places), shape=(len(peaks), len(peaks))).tocsr()


def _inconsistent(graph: Any, peaks: Float, vectors: Float, placed: Index, member: Bool) -> int:
    """Number of links between the openings `member` (n,) that contradict their `placed` (n, 2)."""
    total = 0
    numbers = np.arange(len(peaks))
    for first in range(0, len(peaks), _AT_ONCE):
        some = numbers[first : first + _AT_ONCE]
        links = graph.indptr[some[0] : some[-1] + 2]
        here = np.repeat(some, np.diff(links))
        there = graph.indices[links[0] : links[-1]].astype(np.intp)
        known = member[here]
        here, there = here[known], there[known]
        odd = placed[there] - placed[here] != _steps(peaks, vectors, here, there)
        total += int(odd.any(axis=1).sum())
    return total


def _steps(peaks: Float, vectors: Float, here: Index, there: Index) -> Index:
    """(row, column) steps (m, 2) of links, which are accurate to a third of the pitch."""
    share = (peaks[there] - peaks[here]) @ np.linalg.inv(vectors)
    return np.rint(share[:, ::-1]).astype(np.intp)


def _summed_steps(step: Index, parent: Index) -> Index:
    """Sum the steps from the root to every node; the root is its own parent, its step zero.

    Every round doubles the length of the path already summed.
    """
    total, ancestor = step.copy(), parent.copy()
    while True:
        further = ancestor[ancestor]
        if np.array_equal(further, ancestor):
            return total
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
