"""The middle of a dot: a blurred disc on a sloping ground, fitted to its raw pixels.

    I(x, y) = B + Bx x + By y + A Φ((r − ρ) / σ)        ρ = |G ((x, y) − c)|

with G the local stretch of the pattern, which makes discs ellipses. The profile is only approximate
near a disc's blurred rim, but its error is the same all around and does not move c. Outlying pixels
(a hair, dust) lose their weight.

Where the stretch changes across a dot, the middle of its picture is not the picture of its middle:
it moves by about 3 k r² q/h² for a distortion k |q|²/h², equally in all directions, like a change
of scale. So the outline of every dot is moved by the smooth map of the marks, and the shift of its
centroid is subtracted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.scale.artefact.errors import NoMarksError
from sieve_inspect.scale.artefact.nodes import Nodes, SmoothMap
from sieve_inspect.scale.marks import Observations

_B, _BX, _BY, _A, _CX, _CY, _R, _S = range(8)
_AT_ONCE = 30_000  # pixels fitted together: their derivatives stay in the cache
_SAMPLE = 150
_SQUARE = 0.1  # drawn dots of 1.4 to 5.6 px radius: within 0.02; cloth of 8 to 40 px: 0.17 to 0.45


@dataclass(frozen=True, eq=False)
class _Windows:
    """Pixels around n dots: offsets (n, m) from the initial place, light (n, m), use (n, m)."""

    x: Float
    y: Float
    light: Float
    use: Float
    stretch: Float  # (n, 2, 2), G


def observe_dots(light: Float32, nodes: Nodes) -> Observations:
    """Fit all dots in linear light (h, w); two equations for each dot accepted."""
    reach = 0.47 * nodes.pitch
    # A sample of dots gives the blur and the size common to all.
    pick = np.linspace(0, len(nodes.place) - 1, min(_SAMPLE, len(nodes.place))).astype(int)
    stretch = np.asarray(np.linalg.inv(nodes.vectors.transpose(0, 2, 1)) * nodes.pitch, float)
    windows = _cut(light, nodes.place[pick], stretch[pick], reach)
    first = _fit(windows, _start(windows, nodes.bright), rounds=12, free_blur=True, noise=None)
    sane = np.isfinite(first.value).all(axis=1) & (first.value[:, _S] > 0.1)
    if sane.sum() < 5:
        return _equations(nodes, nodes.place[:0], np.zeros(len(nodes.place), np.bool_))
    sigma, radius = (float(np.median(first.value[sane, k])) for k in (_S, _R))
    if _squareness(windows, first.value)[sane].mean() > _SQUARE:
        raise NoMarksError(
            "its marks are square, as the openings of woven cloth are, and a cloth is no artefact"
        )
    noise = float(np.median(first.misfit[sane]))
    reach = min(reach, radius + 3.5 * sigma + 1.0)
    values, misfits = [], []
    size = max(1, _AT_ONCE // int((2 * reach + 3) ** 2))
    for begin in range(0, len(nodes.place), size):
        part = slice(begin, begin + size)
        windows = _cut(light, nodes.place[part], stretch[part], reach)
        start = _start(windows, nodes.bright)
        start[:, _R], start[:, _S] = radius, sigma
        fitted = _fit(windows, start, rounds=7, free_blur=False, noise=noise)
        values.append(fitted.value)
        misfits.append(fitted.misfit)
    value, misfit = np.concatenate(values), np.concatenate(misfits)
    good = _accepted(value, misfit, nodes, radius)
    place = nodes.place[good] + value[good][:, [_CX, _CY]]
    if len(place) > 30:
        place = place - _centroid_shift(
            nodes.index[good].astype(float), place, radius / nodes.pitch
        )
    return _equations(nodes, place, good)


def _squareness(windows: _Windows, p: Float) -> Float:
    """How much farther marks (n,) reach along the diagonals of their lattice than along its steps.

    The mean of −cos 4φ, weighted by the light of the mark, over the ring from 0.88 to 1.25 radii,
    in which a square of that area has its sides and its corners: 0 for a disc.
    """
    dx, dy = windows.x - p[:, _CX, None], windows.y - p[:, _CY, None]
    g = windows.stretch[:, :, :, None]
    flat_x, flat_y = g[:, 0, 0] * dx + g[:, 0, 1] * dy, g[:, 1, 0] * dx + g[:, 1, 1] * dy
    away = np.hypot(flat_x, flat_y)
    ring = windows.use * (np.abs(away / p[:, _R, None] - 1.065) < 0.185)
    ground = p[:, _B, None] + p[:, _BX, None] * windows.x + p[:, _BY, None] * windows.y
    share = np.clip((windows.light - ground) / p[:, _A, None], 0, 1) * ring
    diagonal = -np.cos(4 * np.arctan2(flat_y, flat_x))
    # What the pixels' own grid does to a ring of few of them comes off.
    even = (ring * diagonal).sum(axis=1) / np.maximum(ring.sum(axis=1), 1)
    return np.asarray(
        ((share * (diagonal - even[:, None])).sum(axis=1)) / np.maximum(share.sum(axis=1), 1e-6)
    )


def _centroid_shift(index: Float, place: Float, radius: float) -> Float:
    """Centroid of each dot's outline in the picture less the picture of its middle, px.

    `radius` in lattice steps.
    """
    smooth = SmoothMap.fit(index, place)
    angle = np.arange(24) * (2 * np.pi / 24)
    rim = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    middle = smooth(index)
    outline = smooth((index[:, None] + rim).reshape(-1, 2)).reshape(len(index), 24, 2)
    a = outline - middle[:, None]
    b = np.roll(a, -1, axis=1)
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return np.asarray(((a + b) * cross[..., None]).sum(axis=1) / (3 * cross.sum(axis=1))[:, None])


def _cut(light: Float32, place: Float, stretch: Float, reach: float) -> _Windows:
    extent = int(np.ceil(reach)) + 1
    span = np.arange(-extent, extent + 1)
    dx, dy = (grid.ravel() for grid in np.meshgrid(span, span))
    base = np.rint(place).astype(int)
    column, row = base[:, :1] + dx, base[:, 1:] + dy
    height, width = light.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    x, y = column - place[:, :1], row - place[:, 1:]
    inside &= x * x + y * y <= reach * reach
    value = light[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    return _Windows(x, y, value.astype(float), inside.astype(float), stretch)


def _start(windows: _Windows, bright: bool) -> Float:
    """Ground and dot from the extremes of the window, the radius from the light between them."""
    ordered = np.sort(np.where(windows.use > 0, windows.light, np.inf), axis=1)
    last = np.count_nonzero(windows.use, axis=1)[:, None] - 1
    ranks = np.rint(last * [0.08, 0.92]).astype(np.intp)
    low, high = np.take_along_axis(ordered, ranks, axis=1).T
    ground, dot = (low, high) if bright else (high, low)
    span = np.where(np.abs(dot - ground) > 1e-6, dot - ground, 1e-6)
    share = np.clip((windows.light - ground[:, None]) / span[:, None], 0, 1) * windows.use
    out = np.zeros((len(ordered), 8))
    out[:, _B], out[:, _A] = ground, span
    out[:, _R] = np.sqrt(share.sum(axis=1) / np.pi)
    total = np.maximum(share.sum(axis=1), 1e-6)
    out[:, _CX] = np.clip((share * windows.x).sum(axis=1) / total, -2, 2)
    out[:, _CY] = np.clip((share * windows.y).sum(axis=1) / total, -2, 2)
    out[:, _S] = 1.0
    return out


@dataclass(frozen=True, eq=False)
class _Fitted:
    value: Float  # (n, 8)
    misfit: Float  # (n,) root mean square of the residuals, in light


def _fit(
    windows: _Windows, start: Float, *, rounds: int, free_blur: bool, noise: float | None
) -> _Fitted:
    """Gauss-Newton for all dots at once; in the second half, pixels are weighted by misfit."""
    p = start.copy()
    columns = 8 if free_blur else 7
    use = windows.use
    residual = np.zeros_like(windows.light)
    for turn in range(rounds):
        model, jacobian = _model(windows, p)
        residual = windows.light - model
        weight = use
        if turn >= rounds // 2:
            usual = noise or np.sqrt((use * residual**2).sum(axis=1) / use.sum(axis=1))[:, None]
            weight = use / (1 + (residual / (3 * usual + 1e-9)) ** 2) ** 2
        jacobian = jacobian[:, :columns]
        weighted = jacobian * weight[:, None]
        matrix = np.matmul(weighted, jacobian.transpose(0, 2, 1))
        k = np.arange(columns)
        matrix[:, k, k] *= 1 + 1e-9
        matrix[:, k, k] += 1e-9
        step = np.linalg.solve(matrix, np.matmul(weighted, residual[..., None]))[..., 0]
        step[:, _CX:] = np.clip(step[:, _CX:], -0.5, 0.5)
        p[:, :columns] += step
        p[:, _R] = np.maximum(p[:, _R], 0.5)
        p[:, _S] = np.clip(p[:, _S], 0.15, 20.0)
    return _Fitted(p, np.sqrt((use * residual**2).sum(axis=1) / np.maximum(use.sum(axis=1), 1)))


def _model(windows: _Windows, p: Float) -> tuple[Float, Float]:
    """The light (n, m) of dots under parameters (n, 8), and its derivatives (n, 8, m)."""
    from scipy.special import ndtr

    dx, dy = windows.x - p[:, _CX, None], windows.y - p[:, _CY, None]
    g = windows.stretch[:, :, :, None]
    flat_x = g[:, 0, 0] * dx + g[:, 0, 1] * dy
    flat_y = g[:, 1, 0] * dx + g[:, 1, 1] * dy
    away = np.hypot(flat_x, flat_y) + 1e-9
    z = (p[:, _R, None] - away) / p[:, _S, None]
    share = ndtr(z)
    slope = p[:, _A, None] * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / p[:, _S, None]
    jacobian = np.stack(
        [
            np.ones_like(share), windows.x, windows.y, share,
            slope * (g[:, 0, 0] * flat_x + g[:, 1, 0] * flat_y) / away,
            slope * (g[:, 0, 1] * flat_x + g[:, 1, 1] * flat_y) / away, slope, -slope * z,
        ],
        axis=1,
    )  # fmt: skip
    ground = p[:, _B, None] + p[:, _BX, None] * windows.x + p[:, _BY, None] * windows.y
    return ground + p[:, _A, None] * share, jacobian


def _accepted(value: Float, misfit: Float, nodes: Nodes, radius: float) -> Bool:
    """Dots of usual size and place, with a misfit up to six times the usual (n,)."""
    amplitude = value[:, _A] if nodes.bright else -value[:, _A]
    with np.errstate(invalid="ignore"):
        good = np.isfinite(value).all(axis=1) & (amplitude > 0)
        good &= np.abs(value[:, _R] / radius - 1) < 0.25
        good &= np.hypot(value[:, _CX], value[:, _CY]) < 0.25 * nodes.pitch
    usual = np.median((misfit / np.maximum(amplitude, 1e-9))[good]) if good.any() else 0.0
    good &= misfit <= 6 * usual * np.maximum(amplitude, 1e-9) + 1e-9
    return np.asarray(good)


def _equations(nodes: Nodes, place: Float, good: Bool) -> Observations:
    index = nodes.index[good].astype(float)
    count = len(place)
    both = np.repeat(place, 2, axis=0)
    return Observations(
        both,
        both,
        np.repeat(index, 2, axis=0),
        np.tile([0, 1], count),
        np.repeat(np.arange(count), 2),
    )
