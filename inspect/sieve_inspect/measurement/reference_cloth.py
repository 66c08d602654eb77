"""What a lamp does to round wires, from a cloth whose apertures or wires are certified.

    aperture known:   g = e / (w + e),   e = mean as seen − certified mean,   w = wire as seen
    wire known:       g = 1 − w / d

The pitch is right under any lamp, so what the apertures gain the wires lose. The share g holds for
cloth of every size under the same lamp: between path-traced cloths of 75, 125 and 500 um it
changed by 0.17 % of a wire at most. It changes with the density of the cloth, with its turn where
the lamp is not round (`Illumination.for_cloth`, `for_turn`), and with the blur as a share of the
wire (`further_blur`); the file of an illumination keeps all three.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from sieve_inspect.errors import IlluminationError, UsageError
from sieve_inspect.illumination.model import LEAST_GLOW, Illumination, LightKnown, Pair
from sieve_inspect.illumination.rim_light import sign_of_both, sign_weight
from sieve_inspect.measurement.further_blur import FurtherBlur
from sieve_inspect.measurement.label import angle_deg
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.standard import DEFAULT_STANDARD, limits
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.uncertainty import BudgetSource, combine, lines_of

# From one cloth to another of the same wires, density, turn and share of blur, taken as u: a share
# of a wire, and a share of g. Drawn pairs, 12 surfaces from matt to silver, 25 to 45 degrees, wires
# of 7 to 22 px: 3.2 % of g by maximum likelihood (136 values), none beyond 2 u. The share of a wire
# leaves room for wires that are not quite alike.
_TRANSFER = 0.0015
_TRANSFER_OF_G = 0.03
# Shares of blur for scans of finer cloth. From 0.3 on wires show no level of their own, and what
# their outline does is the edge model's as much as the lamp's.
_SOFTER = (0.1, 0.14, 0.2, 0.28)
_NEGATIVE = -0.01  # share of a wire: a lamp cannot make wires look thicker
_SHOWS_ITSELF = 0.04  # share of a wire from which a lamp leaves a sign on the sides of the wires
_LEAST_SIGN = 0.002  # the sign such a lamp leaves at least (path-traced)
_AGREE = 2.0  # standard uncertainties by which two cloths may differ
_ADVICE = "Check the certified values, the scale and that the scan shows this sieve"


@dataclass(frozen=True)
class CertifiedCloth:
    """A cloth's certified mean apertures (x, y) or its wire, um, with U (k = 2) as printed."""

    mean_um: Pair | None = None
    wire_um: float | None = None
    expanded_um: float = 0.0

    def check(self, nominal_um: float) -> None:
        """Raise `UsageError` or `IlluminationError` for values that no certificate would have."""
        if (self.mean_um is None) == (self.wire_um is None):
            raise UsageError(message="Give the certified means `mean_x`, `mean_y` or the `wire`.")
        if not 0 < self.expanded_um < nominal_um / 10:
            raise UsageError(
                message=f"U = {self.expanded_um:g} um of a cloth of {nominal_um:g} um is not "
                "plausible: copy it from the certificate."
            )
        allowed = limits(nominal_um, DEFAULT_STANDARD)
        for mean in self.mean_um or ():
            if abs(mean - nominal_um) > allowed.y_um + self.expanded_um:
                raise _refused(
                    f"its certified mean of {mean:g} um is farther from {nominal_um:g} um than the "
                    f"standard allows (±{allowed.y_um:g} um)"
                )


def of_reference(
    measurement: Measurement,
    certified: CertifiedCloth,
    source: str,
    *,
    others: Sequence[Illumination] = (),
    device: str = "",
    valid_until: str = "",
) -> Illumination:
    """The illumination under which a certified cloth was scanned.

    `measurement` is that of the cloth with no lamp stated, `others` come from other cloths under
    the same lamp. Raises `UsageError`, and `IlluminationError` where the certified values do not
    fit the scan or the cloths do not agree.
    """
    certified.check(measurement.nominal_um)
    (gx, ux), (gy, uy) = (_glow(measurement, certified, axis) for axis in (0, 1))
    signs = [picture.signs for picture in measurement.pictures if picture.signs is not None]
    if not signs:
        raise _refused("it is lit from the camera's side, not from behind")
    read = [sign_of_both(pair) for pair in signs]
    sign, density = fmean(s for s, _ in read), fmean(map(_density, measurement.directions))
    at_most = max(share + 2 * u for share, u in read) * sign_weight(density)
    if min(gx, gy) > _SHOWS_ITSELF and at_most < _LEAST_SIGN:
        raise _refused(
            f"its apertures look {100 * min(gx, gy):.2g} % of a wire wider than certified, but the "
            "scan shows no light on the sides of its wires"
        )
    blur = FurtherBlur(measurement.pictures[0])
    stated = measurement.light.illumination
    own = replace(
        stated,
        known=LightKnown.REFERENCE,
        glow=(gx, gy),
        u_glow=(ux, uy),
        u_view=(0.0, 0.0) if stated.view_deg is None else stated.u_view,
        sign=sign,
        density=density,
        turn_deg=angle_deg(measurement.pictures[0]),
        blur=blur.own_share,
        softened=_softened(blur, (gx, gy)),
        source=f"reference cloth, {source}",
        device=device,
        valid_until=valid_until,
    )
    for other in others:
        alike = other.for_cloth(density).for_turn(own.turn_deg or 0.0)
        share = max(own.blur or 0.0, alike.blur or 0.0)
        own = _together(own.under_blur(share), alike.under_blur(share))
    return own


def sampling_dominates(measurement: Measurement, lit: Illumination) -> bool:
    """Whether the sampling component is more than half of the variance of the glow.

    A certificate states the mean of the whole cloth: measuring more fields reduces it.
    """
    sampling = [line for line in measurement.budget if line.source is BudgetSource.SAMPLING]
    shares = [
        combine([line for line in lines_of(sampling) if line.direction == "xy"[axis]])
        / measurement.directions[axis].wire_mean_um
        for axis in (0, 1)
    ]
    return any(share**2 > u**2 / 2 for share, u in zip(shares, lit.u_glow, strict=True))


def _softened(blur: FurtherBlur, glow: Pair) -> tuple[tuple[float, float, float], ...]:
    """The glow under more blur than the scan's own, as far as its openings show it."""
    wire = blur.wires_px
    rows = []
    for share in (share for share in _SOFTER if share > blur.own_share):
        change = blur.change(share)
        if change is None:
            break
        x, y = (g + c * (1 - g) / w for g, c, w in zip(glow, change, wire, strict=True))
        rows.append((share, x, y))
    return tuple(rows)


def _density(seen: DirectionSummary) -> float:
    return seen.wire_mean_um / (seen.mean_um + seen.wire_mean_um)


def _glow(measurement: Measurement, certified: CertifiedCloth, axis: int) -> Pair:
    """g of a direction and its standard uncertainty. Raises `IlluminationError`."""
    seen, direction = measurement.directions[axis], "xy"[axis]
    left_out = {BudgetSource.LIGHT}
    if certified.wire_um is not None:
        left_out.add(BudgetSource.SAMPLING)
        wire = certified.wire_um
        excess = wire - seen.wire_mean_um
        _check_aperture(measurement.nominal_um, seen.mean_um - excess, certified, direction)
    else:
        assert certified.mean_um is not None
        excess = seen.mean_um - certified.mean_um[axis]
        wire = seen.wire_mean_um + excess
    lines = [
        line
        for line in lines_of(measurement.budget)
        if line.direction == direction and line.source not in left_out
    ]
    share = seen.wire_mean_um / wire
    u_glow = share * math.hypot(combine(lines), certified.expanded_um / 2) / wire
    glow = excess / wire
    if glow < max(_NEGATIVE - 2 * u_glow, LEAST_GLOW):
        raise _refused(
            f"its wires look {-excess:.2g} um thicker in {direction} than the certified values "
            "allow, and no lamp behind the cloth does that"
        )
    if glow > 0.3:
        raise _refused(f"its wires look {100 * glow:.2g} % too thin in {direction}")
    return glow, math.hypot(u_glow, _TRANSFER, _TRANSFER_OF_G * glow)


def _check_aperture(
    nominal_um: float, mean_um: float, certified: CertifiedCloth, direction: str
) -> None:
    """Raise `IlluminationError` where a wire leaves an aperture that the cloth cannot have.

    The pitch is right under any lamp: what it leaves beside the wire is the mean aperture.
    """
    allowed = limits(nominal_um, DEFAULT_STANDARD).y_um + certified.expanded_um
    if abs(mean_um - nominal_um) > allowed:
        raise _refused(
            f"beside wires of {certified.wire_um:g} um its pitch leaves apertures of "
            f"{mean_um:.4g} um in {direction}, farther from {nominal_um:g} um than the standard "
            f"allows (±{allowed - certified.expanded_um:g} um)"
        )


def _together(first: Illumination, second: Illumination) -> Illumination:
    """The weighted mean of two cloths. Raises `IlluminationError` where they disagree."""
    glow, u_glow = [], []
    for axis in (0, 1):
        pair = [(lit.glow[axis], lit.u_glow[axis]) for lit in (first, second)]
        (g1, u1), (g2, u2) = pair
        if abs(g1 - g2) > _AGREE * math.hypot(u1, u2):
            raise IlluminationError(
                what="The two reference cloths",
                reason=f"they give {100 * g1:.2g} and {100 * g2:.2g} % of a wire in "
                f"{'xy'[axis]}, further apart than their uncertainty",
                advice="Scan both under the same lamp, and check their certificates",
            )
        weights = [1 / (u * u) for _, u in pair]
        glow.append(sum(w * g for w, (g, _) in zip(weights, pair, strict=True)) / sum(weights))
        least = math.hypot(_TRANSFER, _TRANSFER_OF_G * glow[axis])
        u_glow.append(max(1 / math.sqrt(sum(weights)), least))
    return replace(
        first,
        glow=(glow[0], glow[1]),
        u_glow=(u_glow[0], u_glow[1]),
        source=f"{first.source}; {second.source}",
    )


def _refused(reason: str) -> IlluminationError:
    return IlluminationError(what="The reference cloth", reason=reason, advice=_ADVICE)
