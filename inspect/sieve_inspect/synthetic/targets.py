"""Draws calibration targets as a scanner would see them, with the exact map behind the picture.

The map runs from the picture to the target and gives the place of every sub-square of a pixel on
the target; nothing is warped. With p the pixel, c the picture's middle, h half its longer
side and q = p − c:
    radial    q' = q (1 + k |q|²/h²)           pincushion or barrel
    division  q' = q / (1 + k |q|²/h²)         no polynomial map fits it exactly
    wave      q'y = qy + k h/20 · sin(2π qy/h) an unevenly moving carriage
    target = R(rotation) · [[sx, sy sin γ], [0, sy cos γ]] · q' + place      in um
A sub-square's share of dark is the linear ramp of its distance to the edge over its own extent
across it, which keeps every edge in its place to 0.016·n⁻³/σ² px (n sub-squares to a pixel).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Index
from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic.model import Optics, Sensor
from sieve_inspect.synthetic.optics import oversampling, reach_px, transfer
from sieve_inspect.synthetic.sensor import expose

Pattern = Literal["dots", "checker", "grid", "rule"]


@dataclass(frozen=True)
class Device:
    """The imaging device: scale (um/px), shear, distortion, edge bias (px).

    `distortion` is k of the chosen `kind`; `shear_deg` leans the picture's y axis towards x;
    `edge_bias_px` moves every edge that far into the dark.
    """

    um_per_px_x: float = 20.0
    um_per_px_y: float = 20.0
    shear_deg: float = 0.0
    distortion: float = 0.0
    kind: Literal["radial", "division", "wave"] = "division"
    edge_bias_px: float = 0.0

    def to_target(
        self, x: Float, y: Float, target: Target, shape: tuple[int, int]
    ) -> tuple[Float, Float]:
        """Target coordinates (um) of picture points (px); broadcasts x against y."""
        height, width = shape
        half = max(shape) / 2
        qx, qy = x - (width - 1) / 2, y - (height - 1) / 2
        k = self.distortion
        if self.kind == "wave":
            qy = qy + k * half / 20 * np.sin(2 * np.pi * qy / half)
        elif k:
            grow = 1 + k * (qx * qx + qy * qy) / half**2
            qx, qy = (qx * grow, qy * grow) if self.kind == "radial" else (qx / grow, qy / grow)
        lean = math.radians(self.shear_deg)
        u = self.um_per_px_x * qx + self.um_per_px_y * math.sin(lean) * qy
        v = self.um_per_px_y * math.cos(lean) * qy
        turn = math.radians(target.rotation_deg)
        c, s = math.cos(turn), math.sin(turn)
        return c * u + s * v + target.place_um[0], c * v - s * u + target.place_um[1]


@dataclass(frozen=True)
class Target:
    """The artefact, lengths in um: `pitch_um` between neighbouring marks, `width_um` the dot's
    diameter or the line's width, `rows` by `columns` marks around the target's origin.

    `rotation_deg` turns the target in the picture from x towards y, `place_um` is the point of
    the target in the picture's middle. `missing` marks are left out, `dust` and `hairs` lie on
    it. A rule has `columns` lines, `rows` pitches long, every fifth line half as long again.
    `stretch` multiplies the target's own first axis, for a target that is not square.
    """

    pattern: Pattern = "dots"
    pitch_um: float = 500.0
    width_um: float = 250.0
    rows: int = 21
    columns: int = 21
    rotation_deg: float = 0.0
    place_um: tuple[float, float] = (0.0, 0.0)
    bright_marks: bool = False
    missing: int = 0
    dust: int = 0
    hairs: int = 0
    stretch: float = 1.0
    seed: int = 0


@dataclass(frozen=True, eq=False)
class TargetRender:
    """A picture (h, w) of uint8 or uint16 and what it shows."""

    image: NDArray[np.uint8] | NDArray[np.uint16]
    target: Target
    device: Device

    def to_target(self, points: Float) -> Float:
        """Exact target coordinates (n, 2) in um of picture points (n, 2) in px."""
        shape = (self.image.shape[0], self.image.shape[1])
        return np.stack(
            self.device.to_target(points[:, 0], points[:, 1], self.target, shape), axis=1
        )


def render_target(
    target: Target,
    device: Device | None = None,
    optics: Optics | None = None,
    sensor: Sensor | None = None,
    shape: tuple[int, int] = (500, 500),
    levels: tuple[float, float] = (0.05, 0.8),
) -> TargetRender:
    """Draw `target` in `shape` (height, width) px with dark and bright `levels` of linear light."""
    device, optics, sensor = device or Device(), optics or Optics(), sensor or Sensor()
    if min(shape) < 16:
        raise UsageError(message="A picture of a target has to be at least 16 by 16 px.")
    n = max(3, oversampling(optics))
    margin = math.ceil(reach_px(optics)) + 2
    x, y = (np.arange((side + 2 * margin) * n) / n - margin - 0.5 + 0.5 / n for side in shape[::-1])
    painter = _Painter(target, device, shape, 1 / n)
    dark, bright = levels
    light = bright + (dark - bright) * painter(x, y)
    return TargetRender(expose(_imaged(light, optics, n, margin), sensor), target, device)


def _imaged(light: Float, optics: Optics, n: int, margin: int) -> Float:
    """Blurred and averaged over the pixels (n sub-squares a side), without the margin."""
    from scipy.fft import irfft2, rfft2

    height, width = light.shape
    fx = n * np.fft.rfftfreq(width)
    fy = n * np.fft.fftfreq(height)
    blurred: Float = irfft2(rfft2(light) * transfer(optics, fx, fy), s=light.shape)
    cut = margin * n
    blurred = blurred[cut : height - cut, cut : width - cut]
    rows, columns = blurred.shape[0] // n, blurred.shape[1] // n
    return np.asarray(blurred.reshape(rows, n, columns, n).mean(axis=(1, 3)))


class _Painter:
    """Share of dark (0..1) of sub-squares of side `step` px."""

    def __init__(self, target: Target, device: Device, shape: tuple[int, int], step: float) -> None:
        self.target, self.device, self.shape, self.step = target, device, shape, step
        self.rng = np.random.default_rng([target.seed, 11])
        marks = target.rows * target.columns
        count = min(target.missing, marks // 2)
        picked = self.rng.choice(marks, count, replace=False)
        self.gone = np.zeros((target.rows, target.columns), np.bool_)
        self.gone.ravel()[picked] = True
        if target.pattern == "rule":
            self.gone[:] = False
            self.gone[:, self.rng.choice(target.columns, min(count, target.columns // 4))] = True

    def __call__(self, x: Float, y: Float) -> Float:
        grid_x, grid_y = x[None, :], y[:, None]
        u, v = self.device.to_target(grid_x, grid_y, self.target, self.shape)
        u = u / self.target.stretch
        # Rate of each target coordinate per px, to convert distances from um to px.
        self.slope_u = np.gradient(u, self.step, axis=1), np.gradient(u, self.step, axis=0)
        self.slope_v = np.gradient(v, self.step, axis=1), np.gradient(v, self.step, axis=0)
        draw = {"dots": self._dots, "grid": self._grid, "checker": self._checker}
        dark = draw.get(self.target.pattern, self._rule)(u, v)
        if self.target.bright_marks:
            dark = 1 - dark
        return self._dirt(dark, x, y)

    def _ramp(self, depth: Float, slope: tuple[Float, Float], shift_px: float = 0.0) -> Float:
        """Share beyond an edge, from the distance (um) and its change per px along x and y."""
        share = np.where(depth > 0, 1.0, 0.0)
        # Away from the edge, by more than the steepest slope over the shift and two sub-squares,
        # the share is 0 or 1.
        steepest = math.hypot(*(float(np.abs(part).max()) for part in slope))
        near = np.abs(depth) <= steepest * (abs(shift_px) + 2 * self.step)
        sloping = slope[0][near], slope[1][near]
        steep = np.hypot(*sloping)
        extent = self.step * (np.abs(sloping[0]) + np.abs(sloping[1])) / steep
        share[near] = np.clip(0.5 + (depth[near] / steep + shift_px) / extent, 0, 1)
        return share

    @property
    def _thinner(self) -> float:
        """How far (px) a mark's edge moves inward."""
        bias = self.device.edge_bias_px
        return bias if not self.target.bright_marks else -bias

    def _index(self, value: Float, count: int) -> tuple[Index, Float]:
        """Nearest mark and the distance to it, um; marks lie evenly about the origin."""
        place = value / self.target.pitch_um + (count - 1) / 2
        index = np.clip(np.rint(place), 0, count - 1).astype(np.intp)
        return index, (place - index) * self.target.pitch_um

    def _dots(self, u: Float, v: Float) -> Float:
        column, du = self._index(u, self.target.columns)
        row, dv = self._index(v, self.target.rows)
        away = np.hypot(du, dv) + 1e-9
        slope = tuple(
            (du * su + dv * sv) / away for su, sv in zip(self.slope_u, self.slope_v, strict=True)
        )
        steep = (slope[0] + 1e-9, slope[1] + 1e-9)
        share = self._ramp(self.target.width_um / 2 - away, steep, -self._thinner)
        return np.where(self.gone[row, column], 0.0, share)

    def _line(self, d: Float, slope: tuple[Float, Float]) -> Float:
        return self._ramp(self.target.width_um / 2 - np.abs(d), slope, -self._thinner)

    def _within(self, value: Float, slope: tuple[Float, Float], half: float | Float) -> Float:
        return self._ramp(half - np.abs(value), slope)

    def _grid(self, u: Float, v: Float) -> Float:
        t = self.target
        half_u = (t.columns - 1) / 2 * t.pitch_um + t.width_um / 2
        half_v = (t.rows - 1) / 2 * t.pitch_um + t.width_um / 2
        inside = self._within(u, self.slope_u, half_u) * self._within(v, self.slope_v, half_v)
        open_u = 1 - self._line(self._index(u, t.columns)[1], self.slope_u)
        open_v = 1 - self._line(self._index(v, t.rows)[1], self.slope_v)
        return (1 - open_u * open_v) * inside

    def _rule(self, u: Float, v: Float) -> Float:
        t = self.target
        column, du = self._index(u, t.columns)
        half = t.rows * t.pitch_um / 2 * np.where(column % 5 == 0, 1.5, 1.0)
        share = self._line(du, self.slope_u) * self._within(v, self.slope_v, half)
        return np.where(self.gone[0, column], 0.0, share)

    def _checker(self, u: Float, v: Float) -> Float:
        """Rows by columns inner corners, and a further ring of squares around them."""
        t = self.target
        column, du = self._index(u, t.columns)
        row, dv = self._index(v, t.rows)
        sign_u, sign_v = (np.where(k % 2 == 0, 1.0, -1.0) for k in (column, row))
        du, dv = du * sign_u, dv * sign_v  # > 0: the kind of stripe right of corner 0
        across_u = tuple(s * sign_u for s in self.slope_u)
        across_v = tuple(s * sign_v for s in self.slope_v)
        bias = self._thinner
        right = {b: self._ramp(du, across_u, b) for b in (bias, -bias)}  # type: ignore[arg-type]
        below = {b: self._ramp(dv, across_v, b) for b in (bias, -bias)}  # type: ignore[arg-type]
        # Bright where both stripes are of one kind; near an edge only that edge's share varies.
        near_u = np.abs(du) < np.abs(dv)
        bright_u = np.where(dv > 0, right[bias], 1 - right[-bias])
        bright_v = np.where(du > 0, below[bias], 1 - below[-bias])
        middle = right[bias] * below[bias] + (1 - right[-bias]) * (1 - below[-bias])
        size = 2 * self.step * np.hypot(*self.slope_u)
        corner = np.maximum(np.abs(du), np.abs(dv)) < size
        bright = np.where(corner, middle, np.where(near_u, bright_u, bright_v))
        half_u, half_v = ((k + 1) / 2 * t.pitch_um for k in (t.columns, t.rows))
        inside = self._within(u, self.slope_u, half_u) * self._within(v, self.slope_v, half_v)
        return (1 - np.clip(bright, 0, 1)) * inside

    def _dirt(self, dark: Float, x: Float, y: Float) -> Float:
        height, width = self.shape
        for _ in range(self.target.dust):
            cx, cy = self.rng.uniform(0, width), self.rng.uniform(0, height)
            radius = self.rng.uniform(1.0, 4.0)
            reach = radius + self.step
            rows, columns = (
                slice(*np.searchsorted(places, (middle - reach, middle + reach)))
                for places, middle in ((y, cy), (x, cx))
            )
            away = np.hypot(x[None, columns] - cx, y[rows, None] - cy)
            grain = 0.9 * np.clip(0.5 + (radius - away) / self.step, 0, 1)
            dark[rows, columns] = np.maximum(dark[rows, columns], grain)
        for _ in range(self.target.hairs):
            cx, cy = self.rng.uniform(0, width), self.rng.uniform(0, height)
            radius = self.rng.uniform(0.1, 0.3) * min(self.shape)
            away = np.hypot(x[None, :] - cx, y[:, None] - cy)
            arc = np.arctan2(y[:, None] - cy, x[None, :] - cx) > self.rng.uniform(-1, 1)
            hair = np.clip(0.5 + (0.8 - np.abs(away - radius)) / self.step, 0, 1)
            dark = np.maximum(dark, 0.8 * hair * arc)
        return dark
