"""Paints cloth of round, crimped wires in the light of a lamp: what flat bands leave out.

The wires of one family pass over and under those of the other, a cosine between; their outline
stays as wide as the wire, their sides show the lamp as `reflection` describes. A camera that looks
aslant sees each wire 1/cos v wide, displaced by its height. Squares are sampled evenly and their
light is averaged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.synthetic.frame import Frame
from sieve_inspect.synthetic.reflection import Lamp, Surface, WireLight, read_across
from sieve_inspect.synthetic.shading import Weave
from sieve_inspect.synthetic.wires import Family

_PER_SQUARE = 4  # samples along each side of a square
_BAND = 1 << 16  # squares per piece of work


@dataclass(frozen=True)
class RoundWires:
    """Both families as round wires in their frame; painted in linear light, 1 is the lamp's."""

    frame: Frame
    families: tuple[Family, Family]
    lamp: Lamp
    surface: Surface

    def transmission(self, x: Float, y: Float, step_px: float) -> Float32:
        """Light of squares of side `step_px` px centred on x (m) and y (n): (n, m)."""
        result = np.empty((len(y), len(x)), np.float32)
        rows = max(1, _BAND // len(x))
        inside = ((np.arange(_PER_SQUARE) + 0.5) / _PER_SQUARE - 0.5) * step_px
        fine_x = (x[:, None] + inside).ravel()
        for start in range(0, len(y), rows):
            part = y[start : start + rows]
            fine_y = (part[:, None] + inside).ravel()
            light = self._sampled(*self.frame.to_cloth(fine_x[None, :], fine_y[:, None]))
            cells = light.reshape(len(part), _PER_SQUARE, len(x), _PER_SQUARE)
            result[start : start + rows] = cells.mean(axis=(1, 3))
        return result

    @cached_property
    def _lights(self) -> tuple[WireLight, WireLight]:
        def light(family: int) -> WireLight:
            across = self.frame.rows[family] / np.linalg.norm(self.frame.rows[family])
            return WireLight(self.lamp, self.surface, (float(across[0]), float(across[1])))

        return light(0), light(1)

    @cached_property
    def _light(self) -> tuple[Float, Float]:
        def of(own: Family, other: Family, light: WireLight) -> Float:
            radius = float(own.widths.mean()) / 2
            pitch, span = (float(np.diff(f.centres).mean()) / radius for f in (own, other))
            return light.in_weave(Weave(pitch, span, float(other.widths.mean()) / 2 / radius))

        (first, second), (one, other) = self.families, self._lights
        return of(first, second, one), of(second, first, other)

    def _sampled(self, s: Float, t: Float) -> Float:
        """Light at cloth coordinates (s, t) of one shape."""
        above, light = self._family(0, s, t)
        height, other = self._family(1, t, s)
        return np.asarray(np.where(height > above, other, light))

    def _family(self, family: int, along: Float, across: Float) -> tuple[Float, Float]:
        """Height of the surface seen (−inf in a gap) and its light, for one family of wires.

        `along` is the coordinate on the family's own axis, across its wires; `across` runs along
        the wires and passes those of the other family.
        """
        own, other, light = self.families[family], self.families[1 - family], self._lights[family]
        lean = light.view[:2] / light.view[2]
        middles = (own.centres[1:] + own.centres[:-1]) / 2
        wire = np.searchsorted(middles, along)
        offset, radius = along - own.centres[wire], own.widths[wire] / 2
        # Seen straight from above, a wire lies nowhere but between its outlines.
        near = np.abs(offset) < radius if lean[0] == 0 else np.ones(along.shape, np.bool_)
        wire, offset, radius, across = wire[near], offset[near], radius[near], across[near]
        j = np.clip(np.searchsorted(other.centres, across) - 1, 0, len(other.centres) - 2)
        span = other.centres[j + 1] - other.centres[j]
        phase = math.pi * (across - other.centres[j]) / span
        sign = np.where((wire + j + family) % 2 == 0, 1.0, -1.0)
        swing = sign * (own.widths[wire] + other.widths[j]) / 4
        height = swing * np.cos(phase)
        slope = np.arctan(-swing * math.pi / span * np.sin(phase))
        # Seen aslant, what lies higher is displaced: x − z tan v is what the picture shows.
        outline = radius * np.sqrt(1 + (lean[0] / np.cos(slope)) ** 2)
        place = (offset + height * lean[0]) / outline
        on_wire = np.abs(place) < 1
        turn = np.where(sign > 0, phase, phase + math.pi) / (2 * math.pi)
        surface, value = np.full(along.shape, -np.inf), np.ones(along.shape)
        surface[near] = np.where(
            on_wire, height + radius * np.sqrt(np.clip(1 - place**2, 0, 1)), -np.inf
        )
        value[near] = np.where(on_wire, read_across(self._light[family], turn, place), 1.0)
        return surface, value
