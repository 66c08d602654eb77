"""Unit vectors along and across the wires that bound an opening, from the lattice vectors there."""

from __future__ import annotations

import numpy as np

from sieve_inspect.arrays import Float


def wire_direction(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) along the wires that bound the openings in direction `axis`.

    `vectors` (n, 2, 2) are the local lattice vectors. Signed so that `across_of` points right
    (axis 0) or down (axis 1).
    """
    along = vectors[:, 1 - axis]
    unit = np.asarray(along / np.hypot(along[..., 0], along[..., 1])[..., None])
    return unit * (1 if axis == 0 else -1)


def across_of(vectors: Float, axis: int) -> Float:
    """Unit vectors (n, 2) across the wires that bound direction `axis`, right or down."""
    along = wire_direction(vectors, axis)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)


def spacing_of(vectors: Float, axis: int) -> float:
    """Median distance of neighbouring wires across direction `axis`, px."""
    return float(np.median(np.abs((vectors[:, axis] * across_of(vectors, axis)).sum(axis=1))))
