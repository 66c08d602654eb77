"""Widths corrected for the lamp and the view, with their budget lines and doubts.

Pictures are measured as they look. The correction comes after, so that a picture measured once can
be corrected for any illumination.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Any

import numpy as np

from sieve_inspect.illumination.model import Illumination, LightKnown
from sieve_inspect.illumination.rim_light import light_doubts, sign_weight, unexplained_sign
from sieve_inspect.illumination.view import view_factors
from sieve_inspect.measurement.further_blur import FurtherBlur
from sieve_inspect.measurement.label import angle_deg
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale
from sieve_inspect.summary.statistics import Sample
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution

# Differences of a cloth from the reference cloth of which advice is given: from there on they leave
# a tenth of the glow unknown (k = 2).
_TURNED_DEG = 15.0
_DENSER = 0.15
_FINISH_COUNTS = 0.01  # share of a wire from which the finish of the wires matters
_U_VIEW_SEEN = 0.003  # share of a wire that a parabola through the wires leaves; own figure


@dataclass(frozen=True)
class LightCorrection:
    """What lamp and view did to the apertures of x and y, um, and is corrected now.

    `glow_um` is how much the lamp made them too wide, `view_um` how much a slanting view made them
    too narrow, `u_um` the standard uncertainty left by both; `view_seen` is whether the view was
    read from the scan itself, `other_lamp` whether the scan shows another lamp than the one known.
    `unlike` is how the cloth differs from the reference cloth, where it matters.
    """

    illumination: Illumination
    glow_um: tuple[float, float]
    view_um: tuple[float, float]
    u_um: tuple[float, float]
    view_seen: bool = False
    other_lamp: bool = False
    unlike: str = ""

    @property
    def known(self) -> bool:
        """Whether the lamp is known by its angle or by a reference cloth."""
        return self.illumination.known is not LightKnown.NOT

    @property
    def source(self) -> str:
        """Where the correction comes from, in words."""
        lit, seen = self.illumination, ""
        if lit.known is LightKnown.REFERENCE and max(lit.glow) > _FINISH_COUNTS:
            seen = "; valid for wires of the same metal and finish"
        if self.view_seen:
            seen += "; view read from the wires across the scan"
        return lit.source + self.unlike + seen

    def to_dict(self) -> dict[str, Any]:
        """The `light` entry of schema `sieveward.measurement/1`."""
        lamp, view = self.illumination.lamp_deg, self.illumination.view_deg
        return {
            "lamp_angle_deg": None if lamp is None else list(lamp),
            "view_angle_deg": None if view is None else list(view),
            "glow_x_um": round(self.glow_um[0], 6),
            "glow_y_um": round(self.glow_um[1], 6),
            "u_glow_um": round(max(self.u_um), 6),
            "view_x_um": round(self.view_um[0], 6),
            "view_y_um": round(self.view_um[1], 6),
            "known": str(self.illumination.known),
            "other_lamp": self.other_lamp,
            "source": self.source,
        }


@dataclass(frozen=True, eq=False)
class _Corrected:
    """A direction of a picture with corrected widths and wires; see `LightCorrection`."""

    sample: Sample
    glow_um: float
    view_um: float
    u_um: float
    view_seen: bool


def correct_light(
    pictures: Sequence[Picture], scale: Scale, illumination: Illumination
) -> tuple[tuple[Picture, ...], LightCorrection, list[Contribution]]:
    """The pictures with corrected widths and wires, what was corrected, and its budget lines.

    Each picture gets the doubts that its light leaves.
    """
    corrected: list[Picture] = []
    directions: tuple[list[_Corrected], list[_Corrected]] = ([], [])
    other_lamp = False
    for picture in pictures:
        unknown = _unknown_light(picture, illumination)
        other_lamp |= illumination.known is not LightKnown.NOT and unknown.sign > 0
        lit = _for_picture(picture, illumination)
        x, y = (_corrected(picture, scale, lit[axis], axis, unknown) for axis in (0, 1))
        wires = (_mean_wire(x.sample), _mean_wire(y.sample))
        doubts = light_doubts(picture.signs, wires, illumination) if picture.signs else []
        doubts = [*picture.doubts, *doubts]
        corrected.append(replace(picture, samples=(x.sample, y.sample), doubts=tuple(doubts)))
        directions[0].append(x)
        directions[1].append(y)

    def mean(name: str) -> tuple[float, float]:
        x, y = (fmean(getattr(part, name) for part in parts) for parts in directions)
        return x, y

    seen = any(part.view_seen for parts in directions for part in parts)
    correction = LightCorrection(
        illumination,
        mean("glow_um"),
        mean("view_um"),
        mean("u_um"),
        seen,
        other_lamp,
        _unlike(pictures, illumination),
    )
    lines = [
        Contribution("light on the wires", direction, u_um, source=BudgetSource.LIGHT)
        for direction, u_um in zip("xy", correction.u_um, strict=True)
    ]
    return tuple(corrected), correction, lines


def _unlike(pictures: Sequence[Picture], lit: Illumination) -> str:
    """How these cloths differ from the reference cloth, beyond what costs little; may be empty."""
    if lit.turn_deg is None or lit.density is None:
        return ""
    turned = max(abs(angle_deg(picture) - lit.turn_deg) for picture in pictures)
    densities = [_density(sample) for picture in pictures for sample in picture.samples]
    denser = max((density / lit.density - 1 for density in densities), key=abs)
    if turned > _TURNED_DEG:
        return f"; turned by {turned:.0f} degrees from it: lay both alike"
    if abs(denser) > _DENSER:
        more = "more" if denser > 0 else "less"
        return f"; the wires take {100 * abs(denser):.0f} % {more} of the pitch than there"
    return ""


def _for_picture(picture: Picture, lit: Illumination) -> tuple[Illumination, Illumination]:
    """The illumination as it holds for the cloth, turn and blur of a picture, in x and y."""
    if not picture.field.lattice.bright:
        return lit.without_lamp(), lit.without_lamp()
    x, y = (
        lit.for_cloth(_density(sample)).for_turn(angle_deg(picture)) for sample in picture.samples
    )
    if lit.blur is None:
        return x, y
    blur = FurtherBlur(picture)
    if blur.own_share >= lit.blur:
        return x.under_blur(blur.own_share), y.under_blur(blur.own_share)
    change = blur.change(lit.blur)
    shares = None
    if change is not None:
        shares = (change[0] / blur.wires_px[0], change[1] / blur.wires_px[1])
    return x.under_less_blur(shares), y.under_less_blur(shares)


def _corrected(
    picture: Picture, scale: Scale, lit: Illumination, axis: int, unknown: _Unknown
) -> _Corrected:
    sample, ok = picture.samples[axis], picture.field.ok
    seen, slant = None, np.full(len(ok), lit.view_factor(axis))
    u_view = math.hypot(lit.u_view[axis], unknown.unequal)
    if lit.line_um is not None and axis == 0:
        place = scale.to_um(picture.field.centre) - scale.to_um(np.zeros((1, 2)))
        slant, u_view = lit.along_line(place[:, 0])
    elif lit.view_deg is None and lit.line_um is None:
        beside = np.where(ok, sample.wires.mean(axis=1), np.nan)
        seen = view_factors(scale.to_um(picture.field.centre), beside, axis)
    if seen is not None:
        slant, u_view = seen, _U_VIEW_SEEN
    straight = float(np.nanmean((sample.wires * slant[:, None])[ok]))  # wire seen from above
    glow_um = straight * (1 / (1 - lit.glow[axis]) - 1)
    view_um = straight * (1 / slant - 1)
    return _Corrected(
        replace(
            sample,
            width=sample.width - glow_um + view_um,
            wires=sample.wires * (slant / (1 - lit.glow[axis]))[:, None],
        ),
        glow_um,
        float(view_um[ok].mean()),
        straight * lit.u_factor(axis, unknown.sign, u_view),
        seen is not None,
    )


@dataclass(frozen=True)
class _Unknown:
    """What a picture does not tell of lamp and view, shares of a wire.

    `sign` is a sign of light on the wires' sides that what is known does not explain, `unequal`
    the standard uncertainty by wires that look unlike in x and y: either may be the true wire.
    """

    sign: float = 0.0
    unequal: float = 0.0


def _unknown_light(picture: Picture, illumination: Illumination) -> _Unknown:
    if picture.signs is None:
        return _Unknown()
    density = fmean(map(_density, picture.samples))
    sign, unequal = unexplained_sign(picture.signs, illumination) * sign_weight(density), 0.0
    stated = illumination.view_deg is not None or illumination.line_um is not None
    if illumination.known is not LightKnown.REFERENCE and not stated:
        x, y = (
            _mean_wire(sample) / (1 - glow)
            for sample, glow in zip(picture.samples, illumination.glow, strict=True)
        )
        unequal = abs(x - y) / ((x + y) / 2)
    return _Unknown(sign, unequal / math.sqrt(3))


def _density(sample: Sample) -> float:
    """Wire over pitch as seen."""
    wire = _mean_wire(sample)
    return wire / (wire + float(np.nanmean(sample.width[sample.ok])))


def _mean_wire(sample: Sample) -> float:
    return float(np.nanmean(sample.wires[sample.ok]))
