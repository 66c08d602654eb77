"""The share of light that each small patch transmits, from geometry alone.

A square of side h, seen along a wire's normal, is a trapezoid (the sum of two uniform spreads
h·|nx| and h·|ny|), so its share on one side of a straight edge is the trapezoid's cumulative:
exact at any angle. Squares alone, sampled once per h, keep an edge's place but not the higher
moments of its spread: by skewness an edge seems to move by up to 0.016·h³/σ² px. Where a blur
follows, the patch is therefore a square averaged `SMOOTH` more times over a square, which makes
the moments up to the third exact, and the optics take that averaging out again.

Where both families' edges cross one patch (an aperture's corner) the two shares are multiplied:
the corner's area stays right on average, its shape within the patch does not; no width at
mid-position is touched by that.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.synthetic.frame import Frame
from sieve_inspect.synthetic.wires import Family, Finder

SMOOTH = 2

_BAND = 1 << 18  # squares per piece of work: a few MB in each temporary


def edge_share(depth: Float, extents: tuple[float, float]) -> Float:
    """Share of a square lying beyond an edge, its centre `depth` past it; extents as footprint."""
    wide, narrow = max(extents), min(extents)
    if narrow < 1e-3 * wide:
        return np.clip(0.5 + depth / wide, 0.0, 1.0)
    outer, inner = (wide + narrow) / 2, (wide - narrow) / 2
    z = np.clip(depth, -outer, outer)
    total = (z + outer) ** 2
    total -= np.maximum(z + inner, 0.0) ** 2
    total -= np.maximum(z - inner, 0.0) ** 2
    total /= 2 * wide * narrow
    return total


class EdgeTable:
    """`edge_share` of a square averaged over a square `smooth` more times, by look-up.

    Linear between 512 entries per patch side: the share is right to about 1e-6.
    """

    def __init__(self, extents: tuple[float, float], smooth: int) -> None:
        self._reach = (smooth + 1) * (extents[0] + extents[1]) / 2
        step = sum(extents) / 1024
        half = int(np.ceil(self._reach / step)) + 2
        depth = np.arange(-half, half + 1, dtype=np.float64) * step
        share = edge_share(depth, extents)
        for width in (*extents,) * smooth:
            if width > step:
                total = np.concatenate([[0.0], np.cumsum((share[1:] + share[:-1]) / 2 * step)])
                ahead = np.interp(depth + width / 2, depth, total)
                ahead += np.maximum(depth + width / 2 - depth[-1], 0.0)  # the share is 1 there
                share = (ahead - np.interp(depth - width / 2, depth, total)) / width
        self._share, self._rise = share, np.diff(share, append=share[-1])
        self._start, self._per_px, self._last = depth[0], 1 / step, len(depth) - 1

    def __call__(self, depth: Float) -> Float:
        """Share of patches whose centre lies `depth` px beyond an edge."""
        place = np.clip((depth - self._start) * self._per_px, 0, self._last)
        index = place.astype(np.int32)
        result: Float = self._share[index]
        result += self._rise[index] * (place - index)
        return result


class Scene:
    """Both families in their frame, to be sampled on any grid of squares."""

    def __init__(self, frame: Frame, families: tuple[Family, Family], smooth: int) -> None:
        self.smooth = smooth
        self._tables: dict[tuple[int, float], EdgeTable] = {}
        self.frame = frame
        self.families = families
        self._find_wire = tuple(Finder(f.centres) for f in families)
        self._find_station = tuple(Finder(f.stations) for f in families)
        self._wanders = tuple(bool(np.any(f.wander)) for f in families)
        self._crosses = tuple(
            bool(np.max(np.abs(f.wander)) > 0.4 * np.min(f.widths)) for f in families
        )

    def depth(self, family: int, along: Float, across: Float) -> Float:
        """How far inside its gap each point lies (negative: inside a wire), px.

        `along` is the coordinate on the family's own axis, `across` on the other.
        """
        wires = self.families[family]
        k = self._find_wire[family](along)
        if not self._wanders[family]:
            plain: Float = np.minimum(along - wires.low[k], wires.high[k] - along)
            return plain
        find = self._find_station[family]
        r = find(across)
        begin = find.positions[r]
        f = np.clip((across - begin) / (find.positions[r + 1] - begin), 0.0, 1.0)
        f *= f * (3 - 2 * f)
        table, row = wires.wander.ravel(), k * wires.wander.shape[1] + r
        lower = table[row] * (1 - f) + table[row + 1] * f
        row += wires.wander.shape[1]
        upper = table[row] * (1 - f) + table[row + 1] * f
        depth: Float = np.minimum(along - wires.low[k] - lower, wires.high[k] + upper - along)
        if not self._crosses[family]:
            return depth
        # A wire pushed aside by more than its half leaves its own cell: try the next cell.
        for side in (-1, 1):
            gap = np.clip(k + side, 0, len(wires.low) - 1)
            near = wires.high[gap] if side < 0 else wires.low[gap]
            moved = lower if side < 0 else upper
            inside = side * (along - near - moved)
            depth = np.maximum(depth, np.where(gap == k, -np.inf, inside))
        return depth

    def shares(self, x: Float, y: Float, step_px: float) -> tuple[Float, Float]:
        """Open share along each family of patches of side `step_px` centred on x (m), y (n)."""
        s, t = self.frame.to_cloth(x[None, :], y[:, None])
        share_a = self.edge(0, step_px)(self.depth(0, s, t))
        share_b = self.edge(1, step_px)(self.depth(1, t, s))
        return share_a, share_b

    def edge(self, family: int, step_px: float) -> Callable[[Float], Float]:
        """What turns depth (px) behind a family's edge into a share, for patches of a side."""
        extents = self.frame.footprint(family, step_px)
        if self.smooth == 0:
            return partial(edge_share, extents=extents)
        key = (family, step_px)
        if key not in self._tables:
            self._tables[key] = EdgeTable(extents, self.smooth)
        return self._tables[key]

    def transmission(self, x: Float, y: Float, step_px: float) -> Float32:
        """Open share of patches of side `step_px` px centred on x (m) and y (n): (n, m)."""
        result = np.empty((len(y), len(x)), np.float32)
        rows = max(1, _BAND // len(x))
        self.edge(0, step_px), self.edge(1, step_px)  # built once, before the threads need them

        def fill(start: int) -> None:
            share_a, share_b = self.shares(x, y[start : start + rows], step_px)
            np.multiply(share_a, share_b, out=result[start : start + rows], casting="same_kind")

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(fill, range(0, len(y), rows)))
        return result
