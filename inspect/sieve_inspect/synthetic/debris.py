"""Foreign matter on the cloth: near-round blobs (particles, dust) and fibres."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float


@dataclass(frozen=True)
class Blob:
    """An opaque particle whose radius waves with the angle: r·(1 + Σ a cos(nφ + p))."""

    x: float
    y: float
    radius: float
    waves: tuple[tuple[int, float, float], ...]

    @classmethod
    def rough(cls, x: float, y: float, radius: float, rng: np.random.Generator) -> Blob:
        """A particle of random outline."""
        waves = tuple(
            (n, float(rng.uniform(0, 0.12)), float(rng.uniform(0, 2 * np.pi))) for n in (2, 3, 5)
        )
        return cls(x, y, radius, waves)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """A box around it: x0, x1, y0, y1."""
        reach = self.radius * (1 + sum(a for _, a, _ in self.waves)) + 1
        return self.x - reach, self.x + reach, self.y - reach, self.y + reach

    def cover(self, x: Float, y: Float, step_px: float) -> Float:
        """Covered share (0..1) of squares of side `step_px` at points of any shape."""
        dx, dy = x - self.x, y - self.y
        angle = np.arctan2(dy, dx)
        limit = np.full_like(angle, self.radius)
        for n, amplitude, phase in self.waves:
            limit += self.radius * amplitude * np.cos(n * angle + phase)
        return np.asarray(np.clip((limit - np.hypot(dx, dy)) / step_px + 0.5, 0.0, 1.0))


@dataclass(frozen=True)
class Capsule:
    """A short straight piece of fibre with round ends."""

    start: tuple[float, float]
    stop: tuple[float, float]
    radius: float
    opacity: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """A box around it: x0, x1, y0, y1."""
        reach = self.radius + 1
        return (
            min(self.start[0], self.stop[0]) - reach,
            max(self.start[0], self.stop[0]) + reach,
            min(self.start[1], self.stop[1]) - reach,
            max(self.start[1], self.stop[1]) + reach,
        )

    def cover(self, x: Float, y: Float, step_px: float) -> Float:
        """Covered share (0..opacity) of squares of side `step_px` at points of any shape."""
        dx, dy = x - self.start[0], y - self.start[1]
        ax, ay = self.stop[0] - self.start[0], self.stop[1] - self.start[1]
        along = np.clip((dx * ax + dy * ay) / max(ax * ax + ay * ay, 1e-12), 0.0, 1.0)
        away = np.hypot(dx - along * ax, dy - along * ay)
        return np.asarray(self.opacity * np.clip((self.radius - away) / step_px + 0.5, 0.0, 1.0))


def blob_filling(edges_x: Float, edges_y: Float, share: float, rng: np.random.Generator) -> Blob:
    """A particle that covers `share` of the aperture between the given edge points.

    It sits off the middle, as particles lodge in corners. `edges_x`, `edges_y`: (2, 2) points.
    """
    step_x, step_y = edges_x[1] - edges_x[0], edges_y[1] - edges_y[0]
    middle = (edges_x[0] + edges_x[1]) / 2
    aside = rng.uniform(-0.3, 0.3, 2) * (1 - share)
    at = middle + aside[0] * step_x + aside[1] * step_y
    unit = Blob.rough(float(at[0]), float(at[1]), 1.0, rng)
    grid = (np.arange(64) + 0.5) / 64 - 0.5
    x = middle[0] + grid[:, None] * step_x[0] + grid[None, :] * step_y[0]
    y = middle[1] + grid[:, None] * step_x[1] + grid[None, :] * step_y[1]
    low, high = 0.0, 2 * float(np.hypot(*step_x) + np.hypot(*step_y))
    for _ in range(30):
        radius = (low + high) / 2
        trial = Blob(unit.x, unit.y, radius, unit.waves)
        filled = float(trial.cover(x, y, 0.02).mean())
        low, high = (radius, high) if filled < min(share, 0.9999) else (low, radius)
    return Blob(unit.x, unit.y, high, unit.waves)


def fibre_along(
    shape: tuple[int, int], width_px: float, opacity: float, rng: np.random.Generator
) -> list[Capsule]:
    """A lint fibre: a curve of random course across a part of the picture."""
    size = np.array([shape[1], shape[0]], float)
    points = rng.uniform(0.1, 0.9, 2) * size + rng.uniform(-0.25, 0.25, (3, 2)) * size
    t = np.linspace(0, 1, 40)[:, None]
    curve = (1 - t) ** 2 * points[0] + 2 * t * (1 - t) * points[1] + t**2 * points[2]
    return [
        Capsule((float(a[0]), float(a[1])), (float(b[0]), float(b[1])), width_px / 2, opacity)
        for a, b in itertools.pairwise(curve)
    ]
