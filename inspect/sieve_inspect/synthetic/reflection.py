"""What a round, shining wire sends to the camera: lamp light by one reflection off its side.

A cylinder in light from behind is dark but for a rim: where the surface is so steep that the ray
from the camera, reflected, still meets the lamp. At the angle θ between the surface's normal and
the ray a mirror turns the ray by 180° − 2θ, so with a lamp of half-angle b the rim begins at
θ = 90° − b/2, which is cos(b/2) of the radius from the middle of the wire. The wire then looks
thinner by the share

    g = 1 − cos(b/2)                                                     (mirror, level wire)

Real metal reflects less than all of it, and a rough surface scatters it. Both are taken from the
usual model of rough metal: facets distributed after Trowbridge and Reitz (GGX) with Smith's
height-correlated masking, reflectance after Schlick. The sum over the lamp is made with the
distribution of visible facets (E. Heitz, Journal of Computer Graphics Techniques 7(4), 2018).

A wire that climbs at the angle β shows its rim cos β steeper: its share is about 1/cos²β larger.
Where other wires keep the lamp away or show it themselves is in `shading`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.errors import UsageError
from sieve_inspect.synthetic.shading import Weave

_ANGLES = 121  # across half a turn of the surface, the closer the nearer to the outline
_FINE_ANGLES = 481  # for one wire alone
_FACETS = 24  # per axis of the stratified sum over facets
_PHASES = 24  # of a wire's way over and under
_WEAVE_FACETS = 8  # facets per axis where rays are followed through the cloth
_LAMP_CELLS = 48  # per axis of the lamp, for matt surfaces


@dataclass(frozen=True)
class Surface:
    """How a wire reflects.

    `roughness` is the GGX width α (0.01 a mirror, 0.1 drawn steel, 0.5 etched), `reflectance`
    that of the metal at normal incidence (0 to 1), `albedo` the share scattered evenly.
    """

    roughness: float = 0.1
    reflectance: float = 0.55
    albedo: float = 0.0

    def __post_init__(self) -> None:
        if not 0.001 <= self.roughness <= 1:
            raise UsageError(message="The roughness of a wire lies between 0.001 and 1.")
        if not (0 <= self.reflectance <= 1 and 0 <= self.albedo <= 1):
            raise UsageError(message="Reflectance and albedo lie between 0 and 1.")


MIRROR = Surface(0.001, 1.0)  # an ideal; no metal reflects all of it
SILVER = Surface(0.05, 0.95)  # polished: as bright as wires get
STEEL = Surface()  # chromium at 550 nm: n = 3.2, k = 3.3; Johnson and Christy 1974, from memory
BRONZE = Surface(0.15, 0.60)  # copper at 550 nm, from memory
ROUGH = Surface(0.4)  # steel, worn or sand-blasted; from memory
OXIDISED = Surface(0.6, 0.05, 0.2)  # dark oxide or dye with a faint gloss; from memory
MATT = Surface(1.0, 0.0, 0.3)
BLACK = Surface(1.0, 0.0, 0.0)


@dataclass(frozen=True)
class Lamp:
    """Where light comes from and where the camera looks, angles in degrees in the picture's x, y.

    `half_angle_deg` is half the angle under which the cloth sees the lamp behind it, `view_deg`
    the camera's direction off the normal (the lamp stands in line with it), `front` the radiance
    of light from the camera's side (1 is that of the lamp) within `front_half_angle_deg`.
    """

    half_angle_deg: tuple[float, float]
    view_deg: tuple[float, float] = (0.0, 0.0)
    front: float = 0.0
    front_half_angle_deg: float = 60.0

    def __post_init__(self) -> None:
        if not all(0 <= a < 89 for a in (*self.half_angle_deg, self.front_half_angle_deg)):
            raise UsageError(message="The half-angle of a lamp lies between 0 and 89 degrees.")
        if not all(abs(a) <= 45 for a in self.view_deg):
            raise UsageError(message="The view lies within 45 degrees of the normal.")
        if not self.front >= 0:
            raise UsageError(message="Light from the camera's side cannot be negative.")


@dataclass(frozen=True)
class RoundLight:
    """Round wires instead of flat ones: their lamp and surface, and the picture's levels.

    `open_level` is the linear light of an opening, `floor` that of what is black.
    """

    lamp: Lamp
    surface: Surface = STEEL
    open_level: float = 0.84
    floor: float = 0.02


@dataclass(frozen=True)
class WireLight:
    """The light one family of wires sends to the camera.

    `across` (2,) is the unit vector across the wires in the picture.
    """

    lamp: Lamp
    surface: Surface
    across: tuple[float, float]

    @property
    def view(self) -> Float:
        """Unit vector (across, along, up) towards the camera."""
        tx, ty = (math.tan(math.radians(a)) for a in self.lamp.view_deg)
        ex, ey = self.across
        vector = np.array([tx * ex + ty * ey, ty * ex - tx * ey, 1.0])
        return vector / float(np.linalg.norm(vector))

    def in_weave(self, weave: Weave) -> Float:
        """Light on a wire that others shade and reflect light to: (phases + 1, angles).

        Phases run from 0 (on top of the crossing wire) once around; angles t from −90° to 90° about
        the side that faces the camera, so that the place across the outline is sin t of its
        half-width. See `read_across`.
        """
        phase = np.linspace(0, 2 * math.pi, _PHASES + 1)
        # Seen from straight above, half a turn of the cloth changes nothing.
        made = phase[: _PHASES // 2 + 1] if self.lamp.view_deg == (0, 0) else phase
        normal, around, along = _local_axes(self.view, weave.slope(made), _angles(_ANGLES))
        table = self._scattered(normal)
        if self.surface.reflectance:
            weight, ray = self._reflected(normal, around, along, _WEAVE_FACETS)
            for i, at in enumerate(made):
                light = self._after_other_wires(weave, float(at), normal[i], ray[i])
                table[i] += (weight[i] * light).mean(axis=-1)
        return table if len(made) == len(phase) else np.concatenate([table, table[-2::-1, ::-1]])

    def glow(self, slope: float = 0.0) -> float:
        """Share g of its diameter by which a wire of this slope, alone, looks thinner."""
        t = _angles(_FINE_ANGLES)
        local = _local_axes(self.view, np.array([slope]), t)
        light = self._scattered(local[0])
        if self.surface.reflectance:
            weight, ray = self._reflected(*local, _FACETS)
            light += (weight * self._lit(ray)).mean(axis=-1)
        return float(np.trapezoid(light[0] * np.cos(t), t)) / 2

    def _after_other_wires(self, weave: Weave, phase: float, normal: Float, ray: Float) -> Float:
        """Light that rays (angles, 3, rays) off normals (angles, 3) meet in the end."""
        count = ray.shape[-1]
        side = np.repeat(normal.T, count, axis=1)
        leaving, cosines = weave.followed(phase, side, ray.transpose(1, 0, 2).reshape(3, -1))
        # A rough wire sends on about 1 − α of it as a mirror does: traced rims are as bright so.
        again = (1 - self.surface.roughness) * self._fresnel(cosines)
        reflected = np.where(cosines < 1, again, 1.0) * (cosines >= 0)
        light = self._lit(leaving[None])[0] * reflected.prod(axis=0)
        return np.asarray(light.reshape(-1, count))

    def _reflected(
        self, normal: Float, around: Float, along: Float, facets: int
    ) -> tuple[Float, Float]:
        """Weights (…, rays) of rays reflected once, and the rays (…, 3, rays), by slope, angle."""
        alpha = self.surface.roughness
        axes = np.stack([around, along, normal])  # (3, slopes, angles, 3)
        seen = np.einsum("kabi,i->kab", axes, self.view)[..., None]
        seen[2] = np.maximum(seen[2], 1e-4)
        facet = _visible_facets(seen, alpha, facets)
        facing = (seen * facet).sum(0)
        out = 2 * facing * facet - seen
        masked = _smith(seen[2], alpha)
        weight = (1 + masked) / (1 + masked + _smith(np.clip(out[2], 1e-6, 1), alpha))
        weight *= self._fresnel(facing)
        weight = np.where(out[2] > 0, weight, 0.0)
        ray = np.einsum("kabs,kabi->abis", out, axes)
        return weight, ray

    def _fresnel(self, cosine: Float) -> Float:
        """Reflectance of the metal at the cosine of the angle of incidence, after Schlick."""
        normal = self.surface.reflectance
        return np.asarray(normal + (1 - normal) * (1 - np.clip(cosine, 0, 1)) ** 5)

    def _lit(self, ray: Float) -> Float:
        """Light that rays (…, 3, rays) meet in the end, 1 is the lamp's."""
        lit = self._from_lamp(ray).astype(float)
        if self.lamp.front:
            lit += self.lamp.front * self._from_front(ray)
        return lit

    def _in_picture(self, ray: Float) -> tuple[Float, Float]:
        """Slope of rays (…, 3, m) against the vertical, in the picture's x and y."""
        ex, ey = self.across
        up = np.where(np.abs(ray[..., 2, :]) < 1e-9, 1e-9, ray[..., 2, :])
        across, along = ray[..., 0, :] / up, ray[..., 1, :] / up
        return across * ex - along * ey, across * ey + along * ex

    def _from_lamp(self, ray: Float) -> Bool:
        """Which rays come from the lamp behind the cloth, in line with the camera."""
        x, y = self._in_picture(ray)
        bx, by = (math.tan(math.radians(a)) for a in self.lamp.half_angle_deg)
        tx, ty = (math.tan(math.radians(a)) for a in self.lamp.view_deg)
        met: Bool = ray[..., 2, :] < 0
        return met & (np.abs(x - tx) <= bx) & (np.abs(y - ty) <= by)

    def _from_front(self, ray: Float) -> Bool:
        x, y = self._in_picture(ray)
        reach = math.tan(math.radians(self.lamp.front_half_angle_deg))
        met: Bool = ray[..., 2, :] > 0
        return met & (np.abs(x) <= reach) & (np.abs(y) <= reach)

    def _scattered(self, normal: Float) -> Float:
        """Light scattered evenly (Lambert): albedo/π times the lamp's, (slopes, angles)."""
        if not self.surface.albedo:
            return np.zeros(normal.shape[:-1])
        bx, by = (math.tan(math.radians(a)) for a in self.lamp.half_angle_deg)
        tx, ty = (math.tan(math.radians(a)) for a in self.lamp.view_deg)
        cell = (np.arange(_LAMP_CELLS) + 0.5) / _LAMP_CELLS * 2 - 1
        x, y = (a.ravel() for a in np.meshgrid(cell * bx + tx, cell * by + ty))
        ex, ey = self.across
        towards = -np.stack([x * ex + y * ey, y * ex - x * ey, np.ones(len(x))])
        length = np.linalg.norm(towards, axis=0)
        angle = (2 * bx / _LAMP_CELLS) * (2 * by / _LAMP_CELLS) / length**3  # steradian
        shed = np.maximum(normal @ (towards / length), 0) @ angle
        return np.asarray(self.surface.albedo / math.pi * shed)


def _angles(count: int) -> Float:
    """Angles of the surface from the side that faces the camera, −90° to 90°."""
    return math.pi / 2 * np.sin(np.linspace(-math.pi / 2, math.pi / 2, count))


def read_across(table: Float, level: Float, place: Float) -> Float:
    """A table (levels, angles) read at levels 0..1 and places −1..1 across the outline."""
    from scipy.ndimage import map_coordinates

    turned = np.arcsin(np.clip(place, -1, 1)) / (math.pi / 2)
    angle = (np.arcsin(turned) / math.pi + 0.5) * (_ANGLES - 1)
    where = [level * (len(table) - 1), angle]
    return np.asarray(map_coordinates(table, where, order=1, mode="nearest"))


def _local_axes(view: Float, slope: Float, t: Float) -> tuple[Float, Float, Float]:
    """Normal, direction around and along the wire at each slope and angle: (slopes, angles, 3)."""
    slope = slope[:, None]
    s, c = np.sin(slope), np.cos(slope)
    theta = np.arctan2(view[0], c * view[2] - s * view[1]) + t
    st, ct = np.sin(theta), np.cos(theta)
    zero = np.zeros_like(theta)
    normal = np.stack([st, -s * ct, c * ct], axis=-1)
    around = np.stack([ct, s * st, -c * st], axis=-1)
    along = np.stack([zero, c + zero, s + zero], axis=-1)
    return normal, around, along


def _visible_facets(seen: Float, alpha: float, count: int) -> Float:
    """Normals of facets seen from a direction, (3, slopes, angles, facets), stratified.

    `seen` (3, slopes, angles, 1) is the view in (around, along, normal).
    """
    index = np.arange(count**2)
    u = (index % count + 0.5) / count
    v = (index // count + 0.5) / count
    h = np.concatenate([alpha * seen[:2], seen[2:]])
    h = h / np.sqrt((h**2).sum(0))
    flat = np.hypot(h[0], h[1])
    safe = np.maximum(flat, 1e-9)
    first = np.where(flat > 1e-5, np.stack([-h[1], h[0]]) / safe, [[[[1.0]]], [[[0.0]]]])
    second = np.stack([-h[2] * first[1], h[2] * first[0], h[0] * first[1] - h[1] * first[0]])
    radius, turn = np.sqrt(u), 2 * math.pi * v
    p = radius * np.cos(turn)
    q = radius * np.sin(turn)
    share = (1 + h[2]) / 2
    q = (1 - share) * np.sqrt(np.maximum(0, 1 - p**2)) + share * q
    r = np.sqrt(np.maximum(0, 1 - p**2 - q**2))
    x = alpha * (p * first[0] + q * second[0] + r * h[0])
    y = alpha * (p * first[1] + q * second[1] + r * h[1])
    z = np.maximum(1e-6, q * second[2] + r * h[2])
    facet: Float = np.stack([x, y, z]) / np.sqrt(x**2 + y**2 + z**2)
    return facet


def _smith(cosine: Float, alpha: float) -> Float:
    """Smith's Λ of the GGX distribution."""
    return np.asarray((np.sqrt(1 + alpha**2 * (1 / np.maximum(cosine, 1e-6) ** 2 - 1)) - 1) / 2)
