"""Where the cloth lies in the picture: px (x, y) to cloth coordinates (s, t) and back.

q = ((x − cx) / stretch_x, (y − cy) / stretch_y)        undo the stretch
s = nA · q − bend_A (t/h)²    t = nB · q − bend_B (s/h)²  signed distances, wires straightened
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.synthetic.model import Cloth


@dataclass(frozen=True)
class Frame:
    """The map between picture and cloth; `rows` is the 2 × 2 matrix [nA; nB]."""

    centre: tuple[float, float]
    stretch: tuple[float, float]
    rows: Float
    bend: tuple[float, float]
    half_px: float

    def to_cloth(self, x: Float, y: Float) -> tuple[Float, Float]:
        """Cloth coordinates (s, t) of picture points; broadcasts x against y."""
        qx = (x - self.centre[0]) / self.stretch[0]
        qy = (y - self.centre[1]) / self.stretch[1]
        s = self.rows[0, 0] * qx + self.rows[0, 1] * qy
        t = self.rows[1, 0] * qx + self.rows[1, 1] * qy
        bend_a, bend_b = (b / self.half_px**2 for b in self.bend)
        if bend_a == 0 and bend_b == 0:
            return s, t
        return s - bend_a * t * t, t - bend_b * s * s

    def to_picture(self, s: Float, t: Float) -> tuple[Float, Float]:
        """Picture points (x, y) of cloth coordinates; the bend is undone by iteration."""
        bend_a, bend_b = (b / self.half_px**2 for b in self.bend)
        straight_s, straight_t = s, t
        if bend_a or bend_b:
            for _ in range(30):  # contracts by about 2·bend/half per turn
                straight_s = s + bend_a * straight_t**2
                straight_t = t + bend_b * straight_s**2
        back = np.linalg.inv(self.rows)
        qx = back[0, 0] * straight_s + back[0, 1] * straight_t
        qy = back[1, 0] * straight_s + back[1, 1] * straight_t
        return (
            qx * self.stretch[0] + self.centre[0],
            qy * self.stretch[1] + self.centre[1],
        )

    def direction(self, family: int) -> Float:
        """Unit vector (x, y) in the picture of a step along s (family 0) or t (family 1)."""
        step = np.linalg.inv(self.rows)[:, family] * np.array(self.stretch)
        return np.asarray(step / np.hypot(step[0], step[1]))

    def footprint(self, family: int, step_px: float) -> tuple[float, float]:
        """Extents of a square of `step_px` along a family's normal: its x and its y part."""
        return (
            abs(self.rows[family, 0]) * step_px / self.stretch[0],
            abs(self.rows[family, 1]) * step_px / self.stretch[1],
        )


def frame_of(cloth: Cloth, shape: tuple[int, int]) -> Frame:
    """The frame of a cloth in a picture of shape (height, width)."""
    height, width = shape
    turn = math.radians(cloth.rotation_deg)
    lean = math.radians(cloth.rotation_deg + cloth.skew_deg)
    rows = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(lean), math.cos(lean)]])
    rows[np.abs(rows) < 1e-15] = 0.0
    return Frame(
        centre=((width - 1) / 2 + cloth.offset_px[0], (height - 1) / 2 + cloth.offset_px[1]),
        stretch=(cloth.stretch_x, cloth.stretch_y),
        rows=rows,
        bend=(cloth.bend_px, cloth.bend_y_px),
        half_px=max(height, width) / 2,
    )
