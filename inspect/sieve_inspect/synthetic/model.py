"""What a synthetic picture is made of: cloth, damage, ring, light, optics and sensor.

Every length is in px of the picture, levels are linear light with 1 as the sensor's full scale.
Wires are straight opaque bands in projection, in two families: family A bounds the apertures
along the s axis, family B along the t axis; unrotated, s is the picture's x and t its y.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from sieve_inspect.errors import UsageError

BlurKind = Literal["none", "gaussian", "disc", "smear", "glare", "halo"]
BLUR_KINDS: tuple[str, ...] = ("none", "gaussian", "disc", "smear", "glare", "halo")


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise UsageError(message=message)


def _require_finite(owner: object, names: Sequence[str]) -> None:
    for name in names:
        value = getattr(owner, name)
        if value is not None:
            _require(math.isfinite(value), f"{name} = {value} is not a finite number.")


@dataclass(frozen=True)
class Damage:
    """How many faults of each kind to put at random places, and how large they are.

    `blocked_share` is the range of the open area a blob fills, `missing_length` the number of
    apertures along a wire whose wire piece is gone, `displaced_px` how far a displaced wire
    stands aside, `fibre_px` the full width of a lint fibre.
    """

    blocked: int = 0
    blocked_share: tuple[float, float] = (0.3, 1.0)
    dust: int = 0
    dust_radius_px: tuple[float, float] = (0.5, 2.0)
    fibres: int = 0
    fibre_px: float = 1.5
    fibre_opacity: float = 0.8
    missing: int = 0
    missing_length: int = 1
    broken: int = 0
    displaced: int = 0
    displaced_px: float = 0.0
    displaced_length: int = 4

    def __post_init__(self) -> None:
        for name in ("blocked", "dust", "fibres", "missing", "broken", "displaced"):
            _require(getattr(self, name) >= 0, f"The number of {name} faults cannot be negative.")
        low, high = self.blocked_share
        _require(0 < low <= high <= 1, "blocked_share must be a range within 0 to 1.")
        _require(self.missing_length >= 1, "missing_length must be at least 1.")
        _require(self.displaced_length >= 1, "displaced_length must be at least 1.")
        _require(0 <= self.fibre_opacity <= 1, "fibre_opacity must lie in 0 to 1.")


@dataclass(frozen=True)
class Ring:
    """A sieve frame: cloth inside `radius_px`, a ring of `width_px`, then the surround."""

    radius_px: float
    width_px: float = 40.0
    level: float = 0.95
    surround: float = 0.02
    centre_px: tuple[float, float] | None = None  # (x, y); None is the picture's middle

    def __post_init__(self) -> None:
        _require(self.radius_px > 0 and self.width_px >= 0, "A ring needs a positive radius.")


@dataclass(frozen=True)
class Light:
    """Levels of openings and wires in linear light; `open_level < wire_level` is reversed light.

    `stray` is added everywhere. `falloff` is how much darker the corners are than the middle
    (share of the level), `tilt` how much the level changes from the left side to the right.
    """

    open_level: float = 0.80
    wire_level: float = 0.05
    stray: float = 0.0
    falloff: float = 0.0
    tilt: float = 0.0

    @classmethod
    def reversed(cls, open_level: float = 0.05, wire_level: float = 0.70) -> Light:
        """Light from above: bright wires, dark openings."""
        return cls(open_level=open_level, wire_level=wire_level)


@dataclass(frozen=True)
class Weave:
    """How real cloth varies beside the spread of its gaps, px; the same at any size of picture.

    `drift_px` is the spread by which the place of a wire wanders along it, over about
    `drift_length` crossings; `knuckle_px` that of single crossings; `season_px` the amplitude with
    which the gaps swell and shrink over `season_length` wires, as a loom's tension does.
    """

    drift_px: float = 0.0
    drift_length: float = 10.0
    knuckle_px: float = 0.0
    season_px: float = 0.0
    season_length: float = 40.0

    def __post_init__(self) -> None:
        for name in ("drift_px", "knuckle_px", "season_px"):
            _require(getattr(self, name) >= 0, f"{name} cannot be negative.")
        _require(self.drift_length >= 1, "drift_length must be at least one crossing.")
        _require(self.season_length >= 2, "season_length must be at least two wires.")


@dataclass(frozen=True)
class Cloth:
    """Woven cloth in projection.

    `aperture_px` and `wire_px` are perpendicular widths; the `…_y` twins are those of family B
    and default to family A's. `sd_px` is the spread of the gaps, one draw per gap along the
    whole wire; `along_sd_px` the extra spread from aperture to aperture along a wire (wires kink
    at the crossings); `comb_px` the mean of odd gaps less that of even gaps. `rotation_deg` turns
    the cloth from the picture's x axis towards its y axis (y runs down), `skew_deg` turns family
    B's wires by that much more. `stretch_x`, `stretch_y` multiply the finished picture's axes.
    `bend_px` is how far the wires have bent aside at the edge of the picture. With a `weave` the
    wires around the middle are the same in pictures of any size and scale.
    """

    aperture_px: float
    wire_px: float
    aperture_y_px: float | None = None
    wire_y_px: float | None = None
    sd_px: float = 0.0
    sd_y_px: float | None = None
    along_sd_px: float = 0.0
    wire_sd_px: float = 0.0
    comb_px: float = 0.0
    comb_y_px: float = 0.0
    rotation_deg: float = 0.0
    skew_deg: float = 0.0
    stretch_x: float = 1.0
    stretch_y: float = 1.0
    bend_px: float = 0.0
    bend_y_px: float = 0.0
    offset_px: tuple[float, float] = (0.0, 0.0)
    damage: Damage = field(default_factory=Damage)
    ring: Ring | None = None
    weave: Weave | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        names = [n for n, v in vars(self).items() if n.endswith("_px") and n != "offset_px"]
        _require_finite(self, [*names, "rotation_deg", "skew_deg", "stretch_x", "stretch_y"])
        for gap, wire in zip(self.apertures, self.wires, strict=True):
            _require(gap >= 1, "An aperture below 1 px cannot be drawn.")
            _require(wire >= 0.5, "A wire below half a pixel cannot be drawn.")
        for spread in (*self.spreads, self.along_sd_px, self.wire_sd_px):
            _require(spread >= 0, "A standard deviation cannot be negative.")
        _require(abs(self.skew_deg) < 30, "A skew of 30 degrees or more is no square mesh.")
        for stretch in (self.stretch_x, self.stretch_y):
            _require(0.5 <= stretch <= 2, "A stretch must lie in 0.5 to 2.")

    @property
    def apertures(self) -> tuple[float, float]:
        """Mean aperture of family A and B, px."""
        return self.aperture_px, _or(self.aperture_y_px, self.aperture_px)

    @property
    def wires(self) -> tuple[float, float]:
        """Mean wire of family A and B, px."""
        return self.wire_px, _or(self.wire_y_px, self.wire_px)

    @property
    def spreads(self) -> tuple[float, float]:
        """Standard deviation of the gaps of family A and B, px."""
        return self.sd_px, _or(self.sd_y_px, self.sd_px)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


@dataclass(frozen=True)
class Optics:
    """The blur between scene and sensor; the square pixel's own integration is always added.

    | kind | `size_px` | `share` |
    |---|---|---|
    | none | – | – |
    | gaussian | standard deviation | – |
    | disc | radius (defocus) | – |
    | smear | decay length of a one-sided exponential towards +y | – |
    | glare | decay length of wide exponential skirts | their share of the light |
    | halo | standard deviation of an unsharp mask | its amount |

    `core_px` is an additional Gaussian (all kinds but none and gaussian). Every point
    spread is centred on its own centroid, so nothing moves.
    """

    kind: BlurKind = "gaussian"
    size_px: float = 1.0
    share: float = 0.0
    core_px: float = 0.5

    def __post_init__(self) -> None:
        _require(self.kind in BLUR_KINDS, f"'{self.kind}' is not a blur: use one of {BLUR_KINDS}.")
        _require_finite(self, ("size_px", "share", "core_px"))
        _require(self.size_px >= 0 and self.core_px >= 0, "A blur cannot be negative.")
        _require(0 <= self.share <= (5 if self.kind == "halo" else 1), "share is out of range.")


@dataclass(frozen=True)
class Sensor:
    """From linear light to stored numbers.

    `noise` is the standard deviation of Gaussian noise in linear light (1 = full scale), `shot`
    adds shot · √level to it in quadrature. With `channels = 3` red is shifted by
    `channel_shift_px` (x, y) against green and blue by its opposite; the truth is green's.
    `jpeg_quality` sends the 8-bit picture through a JPEG once.
    """

    noise: float = 0.0
    shot: float = 0.0
    bits: int = 8
    encoding: Literal["srgb", "linear"] = "srgb"
    channels: int = 1
    channel_shift_px: tuple[float, float] = (0.0, 0.0)
    gain: float = 1.0
    jpeg_quality: int | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        _require(self.bits in (8, 16), "A sensor stores 8 or 16 bits.")
        _require(self.channels in (1, 3), "A picture has 1 or 3 channels.")
        _require(self.encoding in ("srgb", "linear"), "encoding must be srgb or linear.")
        _require(self.noise >= 0 and self.shot >= 0, "Noise cannot be negative.")
        _require(self.gain > 0, "The gain must be positive.")
        if self.jpeg_quality is not None:
            _require(self.bits == 8, "A JPEG holds 8 bits.")
            _require(1 <= self.jpeg_quality <= 100, "A JPEG's quality lies in 1 to 100.")
