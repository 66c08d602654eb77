"""Where light off a wire's side goes in the cloth: to the lamp, or to another wire and from there.

A ray from the camera, turned by the side of a wire, may meet a crossing wire or the next wire of
its own family. On top of a crossing wire, that one shades the rim; where a wire dives, the lower
side of the crossing wire shows the lamp and lights it. The rim is therefore wider below than on
top, which is what betrays a wide lamp in a scan.

The wires are those of an ideal plain weave: pitch and diameters the cloth's means, a cosine between
crossings. From the second wire on, wires are mirrors of the same metal. Path-traced cloth looks as
thin as this within a sixth of what the lamp does, from mirrors to rough steel (tests/synthetic).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float

# In radii of the wire: length of a step, and how far rays are followed.
_STEP = 0.2
_FAR = 6.0
_CLEAR = 0.01
_HALVINGS = 5  # of the step in which a ray meets a wire
_TURNS = 3


@dataclass(frozen=True)
class Weave:
    """A plain weave seen from one wire of unit radius: `pitch` to its neighbours of the same
    family, `span` from one crossing wire to the next, `crossing` the radius of those."""

    pitch: float
    span: float
    crossing: float

    @property
    def swing(self) -> float:
        """How far the middle of a wire rises and falls."""
        return (1 + self.crossing) / 2

    def slope(self, phase: Float) -> Float:
        """Angle (rad) at which the wire climbs; it lies on top at 0 and at the bottom at π."""
        return np.asarray(np.arctan(-self.swing * math.pi / self.span * np.sin(phase)))

    def followed(self, phase: float, normal: Float, ray: Float) -> tuple[Float, Float]:
        """Rays (3, n) followed until they leave the cloth: their direction then, and the cosines
        (turns, n) at which other wires turned them, 1 where none did, −1 for rays that never leave.

        Axes are (across, along, up); `phase` says where along the wire the rays leave its surface,
        `normal` (3, n) on which side.
        """
        centre = [0.0, phase / math.pi * self.span, self.swing * math.cos(phase)]
        point = np.array(centre)[:, None] + (1 + _CLEAR) * normal
        ray, cosines = ray.copy(), np.ones((_TURNS + 1, ray.shape[1]))
        going = np.arange(ray.shape[1])
        for turn in range(_TURNS + 1):
            far = self._distance(point[:, going], ray[:, going])
            met = np.isfinite(far)
            going, far = going[met], far[met]
            if turn == _TURNS or not len(going):
                break
            at = point[:, going] + far * ray[:, going]
            depth, side = self._depth(at)
            cosine = -(side * ray[:, going]).sum(0)
            cosines[turn, going] = np.clip(cosine, 0, 1)
            ray[:, going] += 2 * np.maximum(cosine, 0) * side
            point[:, going] = at + (depth + _CLEAR) * side
        cosines[-1, going] = -1
        return ray, cosines

    def _distance(self, point: Float, ray: Float) -> Float:
        """How far rays (3, n) go until they meet a wire; infinite for those that meet none."""
        far = np.full(ray.shape[1], np.inf)
        going = np.arange(ray.shape[1])
        for step in np.arange(_STEP, _FAR, _STEP):
            at = point[:, going] + step * ray[:, going]
            inside = self._depth(at)[0] > 0
            far[going[inside]] = step
            going = going[~inside & (abs(at[2]) < self.swing + max(1, self.crossing))]
        met = np.isfinite(far)
        near, end = far[met] - _STEP, far[met]
        for _ in range(_HALVINGS):
            middle = (near + end) / 2
            inside = self._depth(point[:, met] + middle * ray[:, met])[0] > 0
            near, end = np.where(inside, near, middle), np.where(inside, middle, end)
        far[met] = end
        return far

    def _depth(self, point: Float) -> tuple[Float, Float]:
        """How deep points (3, n) lie in the nearest wire (negative: outside), and its normals."""
        u, y, z = point
        k, m = np.round(y / self.span), np.round(u / self.pitch)
        # A crossing wire lies beneath the wire at u = 0 where that one is on top.
        over, climb = self._middle(-np.where(k % 2 == 0, 1.0, -1.0), u, self.pitch)
        beside, rise = self._middle(np.where(m % 2 == 0, 1.0, -1.0), y, self.span)
        crossing, crossing_depth = _tube(y - k * self.span, z - over, climb, self.crossing)
        own, own_depth = _tube(u - m * self.pitch, z - beside, rise, 1.0)
        first = crossing_depth > own_depth
        normal = np.where(first, crossing[[1, 0, 2]], own)
        return np.where(first, crossing_depth, own_depth), normal

    def _middle(self, sign: Float, place: Float, mesh: float) -> tuple[Float, Float]:
        """Height of a wire's middle at a place along it, and how it climbs there."""
        turn = math.pi / mesh
        height = sign * self.swing * np.cos(turn * place)
        return height, -sign * self.swing * turn * np.sin(turn * place)


def _tube(across: Float, up: Float, climb: Float, radius: float) -> tuple[Float, Float]:
    """Normal (across, along, up) of a tube at points beside its middle, and their depth in it."""
    level = 1 / np.sqrt(1 + climb**2)
    normal = np.stack([across, -up * climb * level**2, up * level**2])
    distance = np.maximum(np.linalg.norm(normal, axis=0), 1e-9)
    return normal / distance, radius - distance
