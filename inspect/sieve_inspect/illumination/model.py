"""What the lamp and the view do to round wires, as a quantity with its uncertainty.

A wire of diameter d appears d (1 − g) / cos v wide. The glow g is the share of its diameter by
which it looks thinner, because its sides reflect the lamp; v is the angle of view off the cloth's
normal. Distances of wire axes stay as they are, so

    width = pitch − apparent wire · q,      q = cos v / (1 − g)
    u(q)² = (q u(g) / (1 − g))² + u_v²      u_v: share of a wire that the view leaves unknown

One g for each direction holds for every size of cloth under the same lamp.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.arrays import Float
from sieve_inspect.errors import IlluminationError, UsageError
from sieve_inspect.files import MOST_JSON_BYTES, read_json

SCHEMA = "sieveward.illumination/1"
LARGEST_ANGLE = 89.0
LEAST_GLOW = -0.05  # share of a wire: what a noisy reference cloth may give; no lamp does less

# Shares of a wire, standard uncertainties where nothing is known: 24 path-traced pictures, matt to
# mirror, lamps of 5 to 60 degrees. A lamp that leaves no sign on the wires' sides makes at most
# 2 % (U); above it the light is up to seven times the sign (`rim_light`), known to its u only.
U_GLOW_UNKNOWN = 0.008
U_VIEW_UNKNOWN = 0.006
_GLOW_PER_SIGN = 3.5
USUAL_DENSITY = 0.4  # wire over pitch of most cloth, and of most path-traced pictures
_U_LAMP_ANGLE = 0.1  # relative: a lamp's size and distance by a ruler; common practice, no source
_U_SMALLEST = 0.0002  # share of a wire under any lamp: dust and bent wires; own figure
_U_PLACE_UM = 5_000.0  # where a scan begins on the plate; common practice, no source
_U_VIEW_DEG = 1.0  # as far as a place on the plate is known; common practice, no source
# What `leaning` leaves of the change from one density to another, as a share of that change:
# path-traced steel and silver of 0.30 and 0.43 beside 0.39 changed by 0.4 to 2.8 times as much.
_U_LEANING = 1.5
_U_SOFTER = 0.15  # share of the glow, under more blur than the reference cloth was measured under

Pair = tuple[float, float]


class LightKnown(StrEnum):
    """How the glow is known."""

    NOT = "not stated"
    LAMP = "lamp angle"
    REFERENCE = "reference cloth"


@dataclass(frozen=True)
class Illumination:
    """Glow and view in x and y, shares of a wire's diameter with standard uncertainties (k = 1).

    `lamp_deg` is the half-angle of the lamp seen from the cloth and `view_deg` the angle of view
    off the normal, None where not stated; `line_um` the middle of a line camera's line, from the
    left of the scan, and the distance of its lens, um. `sign` is the light on the wires' sides
    seen in the scan of a reference cloth, `density` the wire/pitch of the cloth that the glow holds
    for (None: of every cloth), `turn_deg` how the cloth was turned, `blur` the blur as a share of
    its wire, `softened` the glow under more blur: (blur, x, y). `valid_until` is the date (ISO)
    after which it is not to be used.
    `source` says in words where the figures come from, `device` which device they hold
    for.
    """

    known: LightKnown = LightKnown.NOT
    glow: Pair = (0.0, 0.0)
    u_glow: Pair = (U_GLOW_UNKNOWN, U_GLOW_UNKNOWN)
    view_deg: Pair | None = None
    u_view: Pair = (U_VIEW_UNKNOWN, U_VIEW_UNKNOWN)
    lamp_deg: Pair | None = None
    line_um: Pair | None = None
    sign: float | None = None
    density: float | None = None
    turn_deg: float | None = None
    blur: float | None = None
    softened: tuple[tuple[float, float, float], ...] = ()
    source: str = "lamp and view not stated"
    device: str = ""
    valid_until: str = ""

    @classmethod
    def stated(
        cls,
        lamp_angle_deg: float | Pair | None = None,
        view_angle_deg: float | Pair | None = None,
        *,
        u_lamp_deg: float | None = None,
        u_view_deg: float = _U_VIEW_DEG,
    ) -> Illumination:
        """That of stated angles in degrees, a number or (x, y); None where not stated.

        `lamp_angle_deg` is the half-angle of the lamp seen from the cloth, `view_angle_deg` that
        between the view and the cloth's normal; a single view angle is along x, where a line
        camera's line lies. `u_lamp_deg` (by default a tenth of the angle) and `u_view_deg` are
        standard uncertainties. Raises `UsageError` for an angle outside 0 to 89 degrees.
        """
        lit = NOT_STATED
        if lamp_angle_deg is not None:
            x, y = lamp_angle_deg if isinstance(lamp_angle_deg, tuple) else (lamp_angle_deg,) * 2
            lit = _of_lamp((x, y), u_lamp_deg)
        if view_angle_deg is None:
            return lit
        alone = (view_angle_deg, 0.0) if not isinstance(view_angle_deg, tuple) else view_angle_deg
        return lit.with_view(alone, u_view_deg)

    def view_factor(self, axis: int) -> float:
        """cos v of a direction; 1 where the view is not stated."""
        return 1.0 if self.view_deg is None else math.cos(math.radians(self.view_deg[axis]))

    def u_factor(self, axis: int, sign: float, u_view: float) -> float:
        """Standard uncertainty of q (share of a wire).

        `sign` is a sign of light on the wires' sides that what is known does not explain, `u_view`
        what is unknown of the view.
        """
        u_glow = math.hypot(self.u_glow[axis], _GLOW_PER_SIGN * sign)
        of_glow = self.view_factor(axis) / (1 - self.glow[axis]) ** 2 * u_glow
        return math.hypot(of_glow, u_view)

    def along_line(self, x_um: Float) -> tuple[Float, float]:
        """cos v (n,) at places along a line camera's line, and u_v (share of a wire).

        Raises `ValueError` without `line_um`.
        """
        if self.line_um is None:
            raise ValueError("no line camera is stated")
        middle, distance = self.line_um
        tangent = (x_um - middle) / distance
        cosine: Float = 1 / np.sqrt(1 + tangent**2)
        off = _U_PLACE_UM / distance
        return cosine, float(np.mean(np.abs(tangent)) * off + off**2 / 2)

    def without_lamp(self) -> Illumination:
        """The same for cloth lit from the camera's side: a lamp behind does not matter there."""
        if self.known is LightKnown.NOT:
            return self
        return replace(NOT_STATED, view_deg=self.view_deg, line_um=self.line_um, u_view=self.u_view)

    def for_cloth(self, density: float) -> Illumination:
        """The same for cloth of this wire/pitch: denser cloth leans more and shows more light.

        Light that wires show each other changes with the density too, by about as much; the change
        is therefore an uncertainty as well.
        """
        if self.density is None:
            return self
        share = leaning(density) / leaning(self.density)
        further = _U_LEANING * abs(share - 1)
        return replace(self._scaled(share, (further, further)), density=density)

    def for_turn(self, turn_deg: float) -> Illumination:
        """The same for cloth turned by this angle, degrees, |angle| ≤ 45.

        A round lamp looks the same from every side. A square one is seen under up to √2 times its
        angle by wires that lie along its diagonal, and the glow grows with the square of the angle:
        by 1/cos²(turn), path-traced and drawn by 0.8 to 1 of that. Whether a lamp is round is not
        known, so the middle is taken. A lamp longer than wide mixes both directions.
        """
        if self.turn_deg is None:
            return self
        here, there = (math.cos(math.radians(turn)) ** 2 for turn in (turn_deg, self.turn_deg))
        square = there / here - 1
        apart = abs(self.glow[0] - self.glow[1])
        mixed = apart * abs(math.sin(math.radians(turn_deg - self.turn_deg)))
        further = [abs(square) / math.sqrt(12) + mixed / max(abs(g), 1e-9) for g in self.glow]
        return replace(self._scaled(1 + square / 2, (further[0], further[1])), turn_deg=turn_deg)

    def under_blur(self, share: float) -> Illumination:
        """The same for a scan of more blur (share of the wire) than that of the reference cloth."""
        if self.blur is None or share <= self.blur:
            return self
        known = ((self.blur, *self.glow), *self.softened)
        at, x, y = zip(*known, strict=True)
        glow = (float(np.interp(share, at, x)), float(np.interp(share, at, y)))
        u = _U_SOFTER * max(0.0, 1 - at[-1] / share)
        more = tuple(row for row in self.softened if row[0] > share)
        softer = replace(self, glow=glow, blur=share, softened=more)
        return softer._scaled(1.0, (u, u))

    def under_less_blur(self, change: Pair | None) -> Illumination:
        """The same for a scan of less blur than that of the reference cloth.

        `change` (shares of the wire as it looks) is by how much the scan's apertures look wider in
        x and y under as much blur as the reference cloth had; None where it could not be read.
        """
        if change is None:
            return self._scaled(1.0, (_U_SOFTER, _U_SOFTER))
        x, y = (g - c * (1 - g) for g, c in zip(self.glow, change, strict=True))
        ux, uy = (math.hypot(u, _U_SOFTER * c) for u, c in zip(self.u_glow, change, strict=True))
        return replace(self, glow=(x, y), u_glow=(ux, uy), blur=None, softened=())

    def _scaled(self, factor: float, u_share: Pair) -> Illumination:
        """The glow times a factor, known less well by a share of it in x and y."""
        return replace(
            self,
            glow=(factor * self.glow[0], factor * self.glow[1]),
            softened=tuple((at, factor * x, factor * y) for at, x, y in self.softened),
            u_glow=(
                math.hypot(factor * self.u_glow[0], u_share[0] * self.glow[0]),
                math.hypot(factor * self.u_glow[1], u_share[1] * self.glow[1]),
            ),
        )

    def with_view(self, view_deg: Pair, u_view_deg: float = _U_VIEW_DEG) -> Illumination:
        """The same with a stated view. Raises `UsageError` for an impossible angle."""
        _check_u(u_view_deg, "`u_view_deg`")
        _check_angles(view_deg, "`view_angle_deg`", -LARGEST_ANGLE)
        x, y = (abs(math.sin(math.radians(v))) * math.radians(u_view_deg) for v in view_deg)
        return replace(self, view_deg=view_deg, u_view=(x, y))

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, the way `load_illumination` reads it."""
        return {
            "schema": SCHEMA,
            "known": str(self.known),
            "glow_x": self.glow[0],
            "glow_y": self.glow[1],
            "u_glow_x": self.u_glow[0],
            "u_glow_y": self.u_glow[1],
            "line_um": None if self.line_um is None else list(self.line_um),
            "view_angle_deg": None if self.view_deg is None else list(self.view_deg),
            "u_view_x": self.u_view[0],
            "u_view_y": self.u_view[1],
            "lamp_angle_deg": None if self.lamp_deg is None else list(self.lamp_deg),
            "sign": self.sign,
            "density": self.density,
            "turn_deg": self.turn_deg,
            "blur": self.blur,
            "softened": [list(row) for row in self.softened],
            "source": self.source,
            "device": self.device,
            "valid_until": self.valid_until,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Illumination:
        """Read what `to_dict` wrote; other keys are ignored.

        Raises `KeyError`, `TypeError` or `ValueError` for a missing or wrong value.
        """
        read = cls(
            known=LightKnown(data["known"]),
            glow=(float(data["glow_x"]), float(data["glow_y"])),
            u_glow=(float(data["u_glow_x"]), float(data["u_glow_y"])),
            view_deg=_read_pair(data.get("view_angle_deg")),
            line_um=_read_pair(data.get("line_um")),
            u_view=(float(data["u_view_x"]), float(data["u_view_y"])),
            lamp_deg=_read_pair(data.get("lamp_angle_deg")),
            sign=_read_number(data.get("sign")),
            density=_read_number(data.get("density")),
            turn_deg=_read_number(data.get("turn_deg")),
            blur=_read_number(data.get("blur")),
            softened=tuple(_read_softened(row) for row in data.get("softened") or ()),
            source=str(data["source"]),
            device=str(data.get("device") or ""),
            valid_until=str(data.get("valid_until") or ""),
        )
        _check_values(read)
        return read


NOT_STATED = Illumination()


def bound_of_lamp(half_angle_deg: float) -> float:
    """The glow of a straight wire like a mirror under a lamp of half-angle b: 1 − cos(b/2)."""
    return 1 - math.cos(math.radians(half_angle_deg) / 2)


def leaning(density: float) -> float:
    """How much more light than a level wire one shows that leans by β: 1/cos²β.

    Apertures are measured halfway between crossings, where wires lean most: they swing by half a
    diameter each way, so tan β = π/2 · wire/pitch. 1.2 to 1.45 for a `density` wire/pitch of 0.29
    to 0.43; path-traced silver shows 1.1 to 1.3.
    """
    return 1 + (math.pi / 2 * density) ** 2


# Wires show the lamp to each other as well: dense silver at 41.5 degrees looks 1.61 times as much
# thinner as a level mirror would (path-traced), where leaning alone allows for 1.54 (k = 2).
_LEANING = 1.1 * leaning(USUAL_DENSITY)


def _of_lamp(half_angle_deg: Pair, u_deg: float | None) -> Illumination:
    """The illumination by a lamp of half-angles (x, y), degrees.

    The material of the wires is unknown, so the glow lies anywhere between none (matt wires) and
    that of a crimped mirror: a rectangular distribution.
    """
    _check_angles(half_angle_deg, "`lamp_angle_deg`")
    if u_deg is not None:
        _check_u(u_deg, "`u_lamp_deg`")
    x, y = half_angle_deg
    angle = f"{x:g}" if x == y else f"{x:g} by {y:g}"
    return Illumination(
        known=LightKnown.LAMP,
        glow=(_LEANING * bound_of_lamp(x) / 2, _LEANING * bound_of_lamp(y) / 2),
        u_glow=(_u_glow_of_lamp(x, u_deg), _u_glow_of_lamp(y, u_deg)),
        lamp_deg=half_angle_deg,
        density=USUAL_DENSITY,
        source=f"lamp of {angle} degrees half-angle, as stated",
    )


def _u_glow_of_lamp(half_angle_deg: float, u_deg: float | None) -> float:
    """Half the bound as a rectangular distribution, and what the angle itself leaves open."""
    b = math.radians(half_angle_deg)
    u_angle = _U_LAMP_ANGLE * b if u_deg is None else math.radians(u_deg)
    by_angle = _LEANING * math.sin(b / 2) / 4 * u_angle
    by_surface = _LEANING * bound_of_lamp(half_angle_deg) / math.sqrt(12)
    return math.hypot(by_surface, by_angle, _U_SMALLEST)


def load_illumination(path: str | Path) -> Illumination:
    """Read an illumination file (JSON). Raises `IlluminationError`."""
    path = Path(path)

    def unusable(reason: str) -> IlluminationError:
        return IlluminationError(
            what=f"The illumination {path}",
            reason=reason,
            advice="Measure a reference cloth again with `sieveward illumination`",
        )

    try:
        data = read_json(path, MOST_JSON_BYTES)
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise unusable(f"its schema is not {SCHEMA}")
        return Illumination.from_dict(data)
    except OSError as error:
        raise unusable(error.strerror or "no access") from error
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise unusable("it is not JSON text") from error
    except KeyError as error:
        raise unusable(f"{error.args[0]} is missing") from error
    except (ValueError, TypeError) as error:
        raise unusable(str(error)) from error


def _check_angles(angles: Pair, name: str, lowest: float = 0.0) -> None:
    for angle in angles:
        if not lowest <= angle <= LARGEST_ANGLE:
            raise UsageError(
                message=f"{name} of {angle:g} degrees: give {lowest:g} to {LARGEST_ANGLE:g}."
            )


def _check_u(u_deg: float, name: str) -> None:
    if not 0 <= u_deg <= 45:
        raise UsageError(message=f"{name} of {u_deg:g} degrees: give 0 to 45.")


def _check_values(read: Illumination) -> None:
    """Raise `ValueError` for a value that no lamp or cloth has."""
    if not all(LEAST_GLOW <= g < 0.5 for g in read.glow):
        raise ValueError("a glow has to lie between -0.05 and 0.5 of a wire")
    if not all(0 < u < 0.5 for u in read.u_glow) or not all(0 <= u < 0.5 for u in read.u_view):
        raise ValueError("an uncertainty has to lie between 0 and 0.5 of a wire")
    if read.density is not None and not 0 < read.density < 1:
        raise ValueError("a density has to lie between 0 and 1")
    if read.turn_deg is not None and not abs(read.turn_deg) <= 50:
        raise ValueError("a turn has to lie between -50 and 50 degrees")
    blurs = (read.blur, *(row[0] for row in read.softened))
    if (read.blur is not None or read.softened) and not _rising(blurs):
        raise ValueError("shares of blur have to rise, and lie above 0")


def _read_number(value: Any) -> float | None:
    return None if value is None else float(value)


def _read_softened(row: Any) -> tuple[float, float, float]:
    share, x, y = row
    return float(share), float(x), float(y)


def _rising(values: Sequence[float | None]) -> bool:
    return all(a is not None and b is not None and a < b for a, b in pairwise((0.0, *values)))


def _read_pair(value: Any) -> Pair | None:
    if value is None:
        return None
    x, y = value
    return float(x), float(y)
