"""Whether pictures can be measured, and how far their imaging carries a verdict.

Each error names the reason and what would help.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from sieve_inspect.apertures.field import Field
from sieve_inspect.apertures.jumps import largest_jump
from sieve_inspect.errors import NominalMismatchError, RefusedImageError, UnderResolvedError
from sieve_inspect.image.light import ScanLight
from sieve_inspect.lattice.search import Lattice
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale
from sieve_inspect.standard import Limits
from sieve_inspect.summary.statistics import imaging_lines, imaging_part
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution
from sieve_inspect.units import format_length
from sieve_inspect.verdict import Fit

_NEEDED_PX = 4.0  # below this an opening and its wires are two blurred edges without a level
_BLURS_OPENING = 4.0  # blur sigmas an opening must have
_NOMINAL_WITHIN = 0.15
_OTHER_DPI = ", and whether the scan was made at the dpi of the scale: the factor is about 2"
_FEWEST = 9  # complete openings of a part of a cloth: three gaps in each direction
_FEWEST_OF_ALL = 4  # the same where they are all: coarse sieves have no more
_UNCLEAR = 0.25  # share of openings; lint and dust stay far below
_RIVAL = 0.3  # height of a second mesh in the spectrum, as a share of the first
_SHADED = 0.35  # share of the light by which the edges may differ from a model of them
_SHADED_ABOVE = 0.05  # the same in reflected light, where it means highlights and shadows
# Of the range of the scan: drawn openings 1.2 times as bright were right within their U, those 1.35
# times as bright 0.09 px too narrow, 1.45 times 0.5 px.
_OVEREXPOSED = 1.22
_OVEREXPOSED_SHARE = 0.5  # of the openings
_FROM_ABOVE = (
    "the openings are darker than the wires: light from the camera's side leaves the outline of a "
    "round wire dark, and apertures look wider than they are; light the cloth from behind"
)
_ELSEWHERE = 0.1  # openings in a second patch, as a share of the first
_AT_ODDS = 0.001  # share of links; in one cloth, holes, tears and dirt included, there are none
_JUMP_PX = 0.75  # steps aside that flatbed carriages do not make by themselves
_OK_SHARE = 1 / 3  # of the limit y that U of the imaging may take; common practice, no source
_LIGHT_SHARE = 1.0  # of the limit y that U of the light may take
_ORDER = tuple(Fit)


def check_resolution(path: Path, nominal_um: float, scale: Scale) -> None:
    """Refuse before reading the picture when no opening can be resolved at this scale."""
    aperture_px = nominal_um / max(scale.um_per_px_x, scale.um_per_px_y)
    if aperture_px < _NEEDED_PX:
        raise UnderResolvedError(
            file=path.name,
            aperture_px=aperture_px,
            reason=" at this scale",
            needed=_NEEDED_PX,
            advice=finer(nominal_um, scale),
        )


def check_one_cloth(path: Path, lattice: Lattice) -> None:
    """Refuse two meshes, side by side or one behind the other, and cloth in pieces."""
    if lattice.pitch.rival > _RIVAL:
        reason = "it shows more than one regular pattern"
        raise refused(path, reason, "Scan one woven cloth at a time, without moving it")
    if lattice.elsewhere > _ELSEWHERE:
        reason = "it shows separate patches of cloth"
        advice = "Scan one cloth at a time, without moving it, and check for missing wires"
        raise refused(path, reason, advice)
    if lattice.at_odds > _AT_ODDS:
        reason = "its rows and columns of openings are not consistent"
        raise refused(path, reason, "Scan one cloth at a time, without moving it")


def check_enough(path: Path, field: Field) -> None:
    """Refuse fewer than 3 × 3 complete openings, unless the picture shows the whole cloth."""
    complete = int((field.state != "partial").sum())
    ring = field.lattice.ring
    if complete >= (_FEWEST_OF_ALL if ring is not None and ring.whole else _FEWEST):
        return
    shown = "1 complete opening" if complete == 1 else f"{complete} complete openings"
    reason = f"it shows only {shown}, too few for a mean and its uncertainty"
    advice = f"Show {_FEWEST} or more, or the whole cloth with {_FEWEST_OF_ALL} or more"
    raise refused(path, reason, advice)


def check_regular(path: Path, field: Field, light: ScanLight) -> None:
    """Refuse what has a lattice but no openings between straight wires."""
    inner = (field.state != "partial") & field.lattice.seen[field.row, field.column]
    sound = field.ok
    if not sound.any() and _at_the_top(field, light) > _OVEREXPOSED_SHARE:
        reason = "its openings are far brighter than the scan can hold"
        raise refused(path, reason, "Shorten the exposure and scan again")
    if not sound.any():
        reason = "no opening between four straight wires could be measured in it"
    elif max(a.excess for a in field.axes) > (_SHADED if field.lattice.bright else _SHADED_ABOVE):
        reason = "shadows or highlights of its wires hide the true edges"
    elif (field.state[inner] == "unclear").sum() > _UNCLEAR * inner.sum():
        reason = "too many openings do not look like gaps between straight wires"
    elif any(np.std(a.fit.width[sound]) > 0.35 * np.mean(a.fit.width[sound]) for a in field.axes):
        reason = "the openings differ too much in size to be one woven cloth"
    else:
        return
    advice = "Check that it shows woven wire cloth, lit evenly from behind, flat and in focus"
    raise refused(path, reason, advice)


def _at_the_top(field: Field, light: ScanLight) -> float:
    """Share of the openings whose middle is as bright as the scan can hold."""
    x, y = np.clip(np.rint(field.centre).astype(int), 0, np.array(light.shape)[::-1] - 1).T
    return float((light[y, x] >= light.max()).mean())


def check_still(path: Path, field: Field) -> str:
    """Refuse a picture that jumps at a line; returns a doubt about smaller jumps, or ""."""
    jump = largest_jump(field)
    opening = float(np.median(field.axes[0].fit.width[field.ok]))
    if jump.size <= max(_JUMP_PX, 0.03 * opening):
        return ""
    place = f"by {jump.size:.1f} px at {jump.axis} = {jump.at:.0f}"
    if not jump.sure:
        return (
            f"the size of a row of openings is off {place}: a fault of the cloth or a jump of the "
            "scanner's carriage; scan again with the sieve turned by some degrees"
        )
    motion = "is off its place" if jump.along else "steps aside"
    reason = f"the whole picture {motion} {place}, so the carriage or the sieve moved"
    raise refused(path, reason, "Scan again without touching the scanner")


def check_exposure(field: Field, light: ScanLight) -> str:
    """A doubt about openings far brighter than the scan can hold, or ""."""
    top = light.max()
    seen = [np.median((a.fit.floor + a.fit.amplitude)[field.ok]) for a in field.axes]
    if max(seen) < _OVEREXPOSED * top:
        return ""
    return (
        f"the openings are about {100 * (max(seen) / top - 1):.0f} % brighter than the scan can "
        "hold, so half of their light is only guessed: shorten the exposure and scan again"
    )


def check_lit_from_behind(light: ScanLight) -> str:
    """A doubt about cloth lit from the camera's side, or ""."""
    return "" if light.bright else _FROM_ABOVE


def check_blur(path: Path, picture: Picture, nominal_um: float, scale: Scale) -> None:
    """Refuse when the blur seen in the picture leaves too little of an opening or a wire."""
    reason = ""
    for axis in picture.field.axes:
        opening = float(np.median(axis.fit.width[picture.field.ok]))
        wire = float(np.median(axis.fit.wires[picture.field.ok]))
        if opening < _BLURS_OPENING * axis.response.sigma or wire < 1.6 * axis.response.sigma:
            reason = f" under a blur of {axis.response.sigma:.1f} px"
    if reason or picture.aperture_px < _NEEDED_PX:
        raise UnderResolvedError(
            file=path.name,
            aperture_px=picture.aperture_px,
            reason=reason,
            needed=max(_NEEDED_PX, math.ceil(_BLURS_OPENING * picture.blur_px)),
            advice=finer(nominal_um, scale),
        )


def check_nominal(path: Path, seen: float, nominal_um: float) -> None:
    """Refuse cloth whose apertures of about `seen` um are of another size than the nominal."""
    if abs(seen / nominal_um - 1) > _NOMINAL_WITHIN:
        raise NominalMismatchError(
            file=path.name,
            seen=format_length(float(f"{seen:.3g}")),
            percent=100 * (seen / nominal_um - 1),
            nominal=format_length(nominal_um),
            hint=_OTHER_DPI if _is_factor_of_two(seen / nominal_um) else "",
        )


def _is_factor_of_two(ratio: float) -> bool:
    return any(abs(ratio / factor - 1) < _NOMINAL_WITHIN for factor in (0.5, 2.0))


def refused(path: Path, reason: str, advice: str) -> RefusedImageError:
    """The error that refuses a picture, to be raised."""
    return RefusedImageError(file=path.name, reason=reason, advice=advice)


def finer(nominal_um: float, scale: Scale) -> str:
    """What would help: ten px per opening, by scanner where its resolution allows it."""
    um_per_px = min(nominal_um / 10, 0.8 * min(scale.um_per_px_x, scale.um_per_px_y))
    for dpi in (600, 1200, 2400, 4800):
        if 25_400 / dpi <= um_per_px:
            return f"Scan at {dpi} dpi or more, in focus"
    return f"Use a microscope at {um_per_px:.2g} um per px or finer"


BEYOND_ARTEFACT = "part of the cloth lies where the scale's artefact was not seen"
# What helps then: the picture itself is good.
WITHIN_ARTEFACT = (
    "scan the cloth where the artefact lay, or calibrate from pictures of the artefact in every "
    "place the cloth takes"
)


def fitness(
    budget: Sequence[Contribution],
    limits: Limits,
    scale: Scale,
    doubts: Sequence[str],
) -> tuple[Fit, tuple[str, ...]]:
    """The fit and its reasons: "ok" to U = y/3, "indicative" to U = y, else "refused".

    U (k = 2) is that of the mean from scale and picture alone, without sampling. With `doubts`
    about the pictures the fit is "indicative" at best.
    """
    fit, reasons, remedies = Fit.OK, list[str](), list[str]()
    for direction in "xy":
        lines = [line for line in budget if line.direction == direction]
        expanded = 2 * imaging_part(lines)
        if expanded <= limits.y_um * _OK_SHARE:
            continue
        level = Fit.INDICATIVE if expanded <= limits.y_um else Fit.REFUSED
        largest = max(imaging_lines(lines), key=lambda line: line.value_um)
        reasons.append(
            f"in {direction} the mean is known to {expanded:.2g} um only, against a limit of "
            f"{limits.y_um:g} um; most of it comes from the {largest.name}"
        )
        remedies.append(largest.remedy or finer(limits.nominal_um, scale))
        fit = max(fit, level, key=_ORDER.index)
    light = max(line.value_um for line in budget if line.source is BudgetSource.LIGHT)
    if 2 * light > limits.y_um * _LIGHT_SHARE:
        reasons.append(
            f"lamp and view leave ±{2 * light:.2g} um unknown, against a limit of "
            f"{limits.y_um:g} um: use a small lamp far behind the sieve, 40 mm at 300 mm, or "
            "measure a reference cloth under this lamp"
        )
        fit = max(fit, Fit.INDICATIVE, key=_ORDER.index)
    if doubts:
        return max(fit, Fit.INDICATIVE, key=_ORDER.index), (*reasons, *dict.fromkeys(doubts))
    return fit, tuple(dict.fromkeys((*reasons, *remedies)))


def picture_doubts(pictures: Sequence[Picture], scale: Scale) -> tuple[str, ...]:
    """Reasons why the pictures carry an indicative verdict at best."""
    doubts = [doubt for p in pictures for doubt in p.doubts]
    unread = max(p.unread for p in pictures)
    if unread > 0:
        doubts.insert(0, f"{100 * unread:.2g} % of a file could not be read and was left out")
    if not all(scale.covers(p.field.centre[p.field.ok]).all() for p in pictures):
        doubts.append(BEYOND_ARTEFACT)
    return tuple(doubts)
