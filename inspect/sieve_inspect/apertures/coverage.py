"""What lies in an opening: dark pixels within its sides, and sides beyond the picture's border."""

from __future__ import annotations

import numpy as np

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.edges.levels import Levels
from sieve_inspect.image.banded import Light

# The sides of an opening are blurred; its inner part begins so far inside of them that they do
# not darken it below 0.6 of its light: so many px for the pixel's own width, and so many Gaussian
# sigmas of the blur (Φ(1.2) = 0.88). Of 16,539 openings of the study in `states` 1 and 1, 5 and 9
# changed their state with these 15 % lower and higher.
SIDE_MARGIN_PX = 0.4
SIDE_MARGIN_BLUR = 1.2
# Half the inner part is at least this share of the opening, whatever the blur. 1 and 0.
SMALLEST_INNER = 0.2

_INSIDE = 0.45  # px a corner may lie beyond the outermost pixel centres; its pixel ends at 0.5
_AT_ONCE = 1 << 20  # pixels examined together


def cut_by_border(shape: tuple[int, ...], centre: Float, vectors: Float, size: Float) -> Bool:
    """Openings (n,) of `size` (n, 2) px of which a corner lies outside the picture.

    `shape` is (height, width), `centre` (n, 2) px, `vectors` (n, 2, 2) the local lattice.
    """
    unit = vectors / np.linalg.norm(vectors, axis=2, keepdims=True)
    half = 0.5 * size[:, :, None] * unit
    cut = np.zeros(len(centre), np.bool_)
    for i in (-1, 1):
        for j in (-1, 1):
            x, y = (centre + i * half[:, 0] + j * half[:, 1]).T
            cut |= (x < -_INSIDE) | (y < -_INSIDE)
            cut |= (x > shape[1] - 1 + _INSIDE) | (y > shape[0] - 1 + _INSIDE)
    return cut


def dark_share(
    light: Light, centre: Float, vectors: Float, half: Float, levels: Levels, level: float
) -> Float:
    """Share (n,) of the pixels within `half` (n, 2) px of `centre` (n, 2) that are dark.

    Dark is below `level`, 0 for a wire's light and 1 for an opening's. Pixels beyond the border
    are not counted.
    """
    extent = int(np.ceil(half.max(axis=0).sum())) + 2
    grid = np.arange(-extent, extent + 1)
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    unit = vectors.mean(axis=0)
    unit = unit / np.linalg.norm(unit, axis=1, keepdims=True)
    inverse = np.linalg.inv(unit.T)
    inside = (np.abs(inverse @ np.stack([x, y])) <= half.max(axis=0)[:, None] + 1).all(axis=0)
    x, y = x[inside], y[inside]
    base = np.rint(centre).astype(np.intp)
    rest = base - centre
    height, width = light.shape
    limit = levels.floor + level * (levels.top - levels.floor)
    dark = np.zeros(len(centre))
    size_of_chunk = max(1, _AT_ONCE // len(x))
    for first in range(0, len(centre), size_of_chunk):
        part = slice(first, first + size_of_chunk)
        column, row = base[part, :1] + x, base[part, 1:] + y
        counted = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        dx, dy = rest[part, :1] + x, rest[part, 1:] + y
        for k in (0, 1):
            counted &= np.abs(inverse[k, 0] * dx + inverse[k, 1] * dy) <= half[part, k, None]
        np.clip(column, 0, width - 1, out=column)
        np.clip(row, 0, height - 1, out=row)
        below = counted & (light[row, column] < limit[part, None])
        dark[part] = below.sum(axis=1) / np.maximum(counted.sum(axis=1), 1)
    return dark
