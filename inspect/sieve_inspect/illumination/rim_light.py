"""The signs of a wide lamp in the picture: light on the sides of round wires.

A wire reflects the lamp on its sides. The lit rim is wider where the wire climbs or dives than
where it lies level, and where it dives under the crossing wire it is wider than where it lies on
top, because there the lower side of the crossing wire lights it. The outline is therefore drawn in
more at one end of each mesh than at the other, and at the neighbouring mesh the other way round:
wire k passes over wire r where k + r is even, and under it where it is odd. Nothing else in a scan
alternates like that: a wire pushed aside moves both its outlines alike, blur and uneven light know
no mesh.

    s   = (−1)^(row + column)
    Δ   = ¼ · mean of s · ((left − right) at the far end − (left − right) at the near end)

where left and right are how far the light reaches over the outline of the two wires, px, and far
and near lie a fifth of a pitch beyond and before mid-position. Which family lies on top first is
not known, so only the size of Δ is used. Smooth or thin wires leave little of it.

The second sign is the residual light e. Blur of any shape puts on the wires beside an opening
what it takes from the opening; a lit rim adds light on the wires' side alone:

    e = ∫ of r(t) + r(−t),   t from σ to three quarters of the way to the middle of wire or opening

where r is the light at the distance t from an edge less that of the fitted edges, as a share of an
opening's, and less what remains farther from the edge. Drawn scans of flat wires (apertures of 7 to
48 px, seven kinds of blur) stay within 0.05 % of a wire.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.arrays import Float
from sieve_inspect.edges.model import EDGES, Parameter, model_of, top_of
from sieve_inspect.edges.profiles import STEP, Band, Crossing, Profiles, gather
from sieve_inspect.illumination.model import Illumination, LightKnown
from sieve_inspect.image.light import Light

_AT_MOST = 1500  # openings looked at: their scatter is then far below what counts
_FROM_MIDDLE = 0.20  # of the pitch along the wires, from mid-position to where it is looked at
_HALF_BAND = 0.06  # of the pitch: half the length of wire whose light is gathered
# Δ as a share of the wire from which a lamp is called wide, and by how many of its standard
# uncertainties it has to stand out: path-traced metal gives 0.4 to 0.7 % where apertures look
# 1 to 3 % of a wire too wide, 0.15 % at 1 %; 37 drawn scans without rims stay below 0.04 %.
_WIDE_SHARE = 0.003
_CLEAR = 4
_UNSEEN_SHARE = 0.002  # a sign this small may belong to any lamp up to 20 degrees
# Warp and weft are the same wire as a rule: seen so unlike, light or view differ. A strip lamp of
# 48° by 6° makes 2.5 %, a view 13° off the normal 3.6 % (path-traced).
_UNEQUAL_SHARE = 0.02
# The sign of one lamp on cloths of other sizes: 0.5 to 1.5 times the first (path-traced).
_OTHER_LAMP = 2.5
_UNEXPLAINED = {
    LightKnown.LAMP: "more light stands on the sides of the wires than a {source}, explains: check "
    "the angle, and for other light behind the sieve",
    LightKnown.REFERENCE: "the light on the sides of the wires is not that of the reference cloth: "
    "measure the reference cloth again under the lamp in use",
}
_UNREAD = 0.0075  # share of a wire: what a sign that cannot be read may be; 45 degrees on steel
# Blurs from the crossing wires' outline to where the sign is read: at 1.3 nothing was left of it
# under 50 degrees, from 2.1 on it is as in sharp pictures (path-traced).
_CLEAR_BLURS = 1.9
_USUAL_SEEN, _THINNEST_SEEN = 0.37, 0.26  # wire/pitch
_BEYOND_WIRE = 2.0  # px beyond the middle of the wires, so far light is summed
_WHOLE_BAND = 0.97  # share of a band's pixels that the picture has to show
# What e may stand for, as Δ: e times this, times the square of the blur's share of the wire, for
# blur hides a rim. Drawn and path-traced, 36 pictures of silver to rough steel under 22 to 60
# degrees: the light on the wires was 0.2 to 1.0 times what this allows for (k = 2), 1.5 times as
# much under a strip lamp, which the wires' unlike widths tell.
_SIGN_PER_RESIDUAL = 300.0
_LEAST_RESIDUAL = 0.0004  # share of a wire; less may be noise or the steps of stored numbers
_CLEAR_RESIDUAL = 2.5  # of its standard uncertainty: a false sign only widens U
_RESIDUAL_OPENINGS = 600
_RESIDUAL_HALF_BAND = 0.25  # of the crossing opening: half the length of wire gathered
_RESIDUAL_INNER, _RESIDUAL_OUTER = 0.75, 0.45  # of the way to the middle; of the wire or opening


@dataclass(frozen=True)
class RimLight:
    """How much a direction's wires are drawn in at one end of a mesh more than at the other.

    `shift_px` is Δ (px), `u_px` its standard uncertainty by the scatter of the openings, `wire_px`
    the apparent width of the wires. It is not `readable` where the blur of the crossing wires
    reaches the place where it is read. `residual_px` and `u_residual_px` are e and its standard
    uncertainty, 0 where it cannot be read, `blur_px` the σ of the edges.
    """

    shift_px: float
    u_px: float
    wire_px: float
    readable: bool = True
    residual_px: float = 0.0
    u_residual_px: float = 0.0
    blur_px: float = 0.0

    @property
    def share(self) -> float:
        """Δ as a share of the wire."""
        return self.shift_px / self.wire_px

    @property
    def u_share(self) -> float:
        """Standard uncertainty of Δ as a share of the wire."""
        return self.u_px / self.wire_px

    @property
    def is_clear(self) -> bool:
        """Whether the lamp is wide beyond doubt; false where it cannot be read."""
        return self.share > _WIDE_SHARE and self.shift_px > _CLEAR * self.u_px

    @property
    def clear_share(self) -> float:
        """Δ as a share of the wire where it is clear, else 0."""
        return self.share if self.is_clear else 0.0

    @property
    def sign_by_residual(self) -> float:
        """The Δ, share of the wire, of light that e may stand for; 0 where e is not clear."""
        e = self.residual_px / self.wire_px
        clear = e > _LEAST_RESIDUAL and self.residual_px > _CLEAR_RESIDUAL * self.u_residual_px
        return _SIGN_PER_RESIDUAL * (self.blur_px / self.wire_px) ** 2 * e if clear else 0.0


def sign_of_both(signs: tuple[RimLight, RimLight]) -> tuple[float, float]:
    """The sign of both directions together and its standard uncertainty, shares of a wire.

    A lamp is as a rule as long as wide, so that both show the same sign; a clear sign in one
    direction counts alone. Directions that cannot be read leave `_UNREAD`.
    """
    read = [sign for sign in signs if math.isfinite(sign.u_px) and sign.u_px > 0]
    if not all(sign.readable for sign in signs):
        return max((sign.share for sign in read), default=0.0), _UNREAD / 2
    if not read:
        return 0.0, _UNREAD / 2
    weights = [1 / sign.u_share**2 for sign in read]
    mean = sum(w * sign.share for w, sign in zip(weights, read, strict=True)) / sum(weights)
    return max(mean, *(sign.clear_share for sign in read)), 1 / math.sqrt(sum(weights))


def light_doubts(
    signs: tuple[RimLight, RimLight], wires_um: tuple[float, float], known: Illumination
) -> list[str]:
    """Why lamp or view may have moved the outlines of the wires; empty if nothing shows it.

    `signs` are those of x and y, `wires_um` the mean wires corrected for what is `known`.
    """
    doubts = []
    if known.known is LightKnown.NOT:
        share = max(sign.clear_share for sign in signs)
        if share:
            doubts.append(
                f"light stands on the sides of the wires ({100 * share:.2g} % of a wire): the "
                "lamp is too wide, apertures look wider than they are; use a small lamp far "
                "behind the sieve, 40 mm at 300 mm, and black paper round it"
            )
    elif unexplained_sign(signs, known):
        doubts.append(_UNEXPLAINED[known.known].format(source=known.source))
    x, y = wires_um
    allowed = _UNEQUAL_SHARE + 2 * math.hypot(*known.u_glow) * (known.known is not LightKnown.NOT)
    if abs(x - y) > allowed * (x + y) / 2:
        thin, other = ("x", "y") if x < y else ("y", "x")
        doubts.append(
            f"the wires look {100 * abs(x / y - 1):.2g} % thinner in {thin} than in {other}: a "
            "lamp longer than wide, a slanting view, or two kinds of wire; turn the sieve by 90 "
            "degrees and scan again"
        )
    return doubts


def sign_weight(density: float) -> float:
    """How much more light a sign stands for in cloth of this wire/pitch (as seen) than in usual.

    Thin wires climb less and show less of the crossing wires: path-traced, a sign at 0.31 stands
    for 3.3 times the light of one at 0.416; drawn, one at 0.30 for 3 times that at 0.40: the fourth
    power. From `_USUAL_SEEN` on, wires of usual cloth under a wide lamp, it is left as it is;
    thinner wires than those traced count as these.
    """
    return max(1.0, (_USUAL_SEEN / max(density, _THINNEST_SEEN)) ** 4)


def unexplained_sign(signs: tuple[RimLight, RimLight], known: Illumination) -> float:
    """The sign of a lamp (share of a wire) that what is known of the light does not explain."""
    both, u = sign_of_both(signs)
    if known.known is LightKnown.NOT:
        return max(both + 2 * u, *(sign.sign_by_residual for sign in signs))
    if known.known is LightKnown.LAMP:
        share = max(sign.clear_share for sign in signs)
        return share if share > max(known.glow) else 0.0
    low, high, reference = max(both - 2 * u, 0), both + 2 * u, known.sign or 0.0
    more = low > _OTHER_LAMP * reference + _WIDE_SHARE
    less = reference > _OTHER_LAMP * high + _UNSEEN_SHARE
    return max(both, reference) if more or less else 0.0


def rim_light(field: Field, light: Light) -> tuple[RimLight, RimLight]:
    """The signs of a wide lamp in both directions of a measured field; Δ is NaN if it is not seen.

    It means nothing for cloth lit from the camera's side.

    `light` is the linear light (h, w) the field was measured in.
    """
    return _direction(field, light, 0), _direction(field, light, 1)


def _direction(field: Field, light: Light, axis: int) -> RimLight:
    e, u = _beyond_blur(field, light, axis)
    blur = field.axes[axis].response.sigma
    return replace(_alternating(field, light, axis), residual_px=e, u_residual_px=u, blur_px=blur)


def _alternating(field: Field, light: Light, axis: int) -> RimLight:
    """Δ of a direction and its standard uncertainty."""
    which = field.sample(_AT_MOST)
    fit, normal = field.axes[axis].fit.parameters[which], field.axes[axis].normal[which]
    along = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    pitch = float(field.lattice.pitch.lengths[1 - axis])
    gap = fit[:, Parameter.SECOND_EDGE] - fit[:, Parameter.FIRST_EDGE]
    wire = float(np.nanmedian(field.axes[axis].fit.wires[which]))
    reach = (float(np.median(gap)) + wire) / 2
    crossing = field.axes[1 - axis]
    free = float(np.median(crossing.fit.width[which])) / 2 - _FROM_MIDDLE * pitch
    readable = free > _CLEAR_BLURS * crossing.response.sigma
    band = Band(reach + _BEYOND_WIRE, max(_HALF_BAND * pitch, 0.8), STEP)
    across = np.where(field.row[which] + field.column[which] & 1, -1.0, 1.0)
    ends = [
        (field.centre[which] + side * _FROM_MIDDLE * pitch * along, along, band) for side in (1, -1)
    ]
    floor, inner = fit[:, Parameter.FLOOR], 0.5 * float(np.median(gap))
    far, near = (_reach_over(gather(light, *end), floor, inner, band) for end in ends)
    change = across * (far - near) / fit[:, Parameter.AMPLITUDE] / 4
    change = change[np.isfinite(change)]
    if len(change) < 8:
        return RimLight(math.nan, math.nan, wire, readable=False)
    middle = np.median(change)
    spread = 1.4826 * float(np.median(np.abs(change - middle)))
    kept = change[np.abs(change - middle) < 4 * spread + 1e-12]
    u = float(kept.std(ddof=1)) / math.sqrt(len(kept))
    return RimLight(abs(float(kept.mean())), u, wire, readable)


def _reach_over(seen: Profiles, floor: Float, inner: float, band: Band) -> Float:
    """Light left of the middle of an opening less light right of it, px times light, (n,).

    Pixels are summed, each with its own distance, and left passes smoothly into right within
    `inner` px of the middle. With a sharp border there, a pixel more or less on one side would
    count, and where rows of pixels and of openings drift by half a pixel from row to row, that
    alternates as the sign does. NaN where the picture ends within the band.
    """
    side = -np.sin(0.5 * np.pi * np.clip(seen.distance / inner, -1, 1))
    light = (seen.value - floor[:, None]) * seen.weight
    missing = seen.weight.sum(axis=1) < _WHOLE_BAND * 4 * band.reach * band.half
    return np.where(missing, np.nan, (light * side).sum(axis=1) / (2 * band.half))


def _beyond_blur(field: Field, light: Light, axis: int) -> tuple[float, float]:
    """e of a direction and its standard uncertainty, px; 0 and 0 where it cannot be read."""
    own, crossing = field.axes[axis], field.axes[1 - axis]
    whole = np.asarray(np.isfinite(own.fit.parameters).all(axis=1))
    which = field.sample(_RESIDUAL_OPENINGS, whole)
    fit, blur = own.fit.take(which), own.response.sigma
    bright = float(np.median(top_of(fit.parameters))) + 2 * field.pixel_noise
    if len(which) < 8 or bright > light.max():  # beyond the sensor's range nothing is symmetric
        return 0.0, 0.0
    wire, gap = float(np.nanmedian(fit.wires)), float(np.median(fit.width))
    outer = _RESIDUAL_OUTER * min(wire, gap)
    inner = _RESIDUAL_INNER * outer
    if blur > _RESIDUAL_INNER * inner:
        return 0.0, 0.0
    across = float(np.median(crossing.fit.width[which]))
    beside = Crossing(
        across, across + float(np.nanmedian(crossing.fit.wires[which])), crossing.response.sigma
    )
    edges = fit.parameters.copy()
    edges[:, EDGES] -= fit.middle[:, None]  # as the centres are
    normal = own.normal[which]
    along = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    band = Band((gap + wire) / 2, max(_RESIDUAL_HALF_BAND * across, 0.8), STEP)
    seen = gather(light, field.centre[which], along, band, beside, gap)
    model, _, _ = model_of(seen, edges, own.response)
    rest = (seen.value - model) / fit.amplitude[:, None]
    e = np.zeros(len(which))
    for side, edge in ((1, Parameter.SECOND_EDGE), (-1, Parameter.FIRST_EDGE)):
        place = side * (seen.distance - edges[:, edge, None])
        for into in (1, -1):
            near = _mean_between(into * place, blur, inner, rest, seen.weight)
            e += near - _mean_between(into * place, inner, outer, rest, seen.weight)
    e = (inner - blur) * e[np.isfinite(e)]
    if len(e) < 8:
        return 0.0, 0.0
    off = np.abs(e - np.median(e))
    kept = e[off <= 4 * 1.4826 * np.median(off)]
    return float(kept.mean()), float(kept.std(ddof=1)) / math.sqrt(len(kept))


def _mean_between(place: Float, low: float, high: float, value: Float, weight: Float) -> Float:
    """Weighted mean (n,) of values at places between two limits; NaN where there is none."""
    inside = np.where((place >= low) & (place < high), weight, 0)
    total = inside.sum(axis=1)
    mean = (inside * value).sum(axis=1) / np.where(total > 0, total, np.nan)
    return np.asarray(mean)
