"""Scan files to a judged measurement: the way of the data, one step a line."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect import pixels
from sieve_inspect.errors import NominalMismatchError, RefusedImageError, UnderResolvedError
from sieve_inspect.overlay import draw_overlay
from sieve_inspect.scale import Scale
from sieve_inspect.scan import (
    MAX_MEGAPIXELS,
    Assumption,
    Scan,
    ScanSource,
    assumed_encoding,
    linear_light,
    load_scan,
    open_source,
    size_of,
    stored_by,
)
from sieve_inspect.standard import DEFAULT_STANDARD, Limits, limits
from sieve_inspect.summary.compression import u_compression_px
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.repeatability import with_study
from sieve_inspect.summary.statistics import (
    Sample,
    imaging_part,
    sample_of,
    summarise,
    whole_cloth,
)
from sieve_inspect.summary.uncertainty import Contribution, lines_of
from sieve_inspect.target.inscan import InScan, covered_up
from sieve_inspect.units import format_length
from sieve_inspect.verdict import Verdict, judge, read_rule
from sieve_inspect.weave import (
    Field,
    Flag,
    Lattice,
    View,
    find_lattice,
    flag_names,
    largest_jump,
    look_at,
    measure_field,
    stored_misfit,
)
from sieve_inspect.whole import (
    Crew,
    Sheet,
    find_whole,
    look_at_whole,
    measure_whole,
    misfit_if,
    misfit_under,
)

__all__ = ["SCHEMA", "Measurement", "Picture", "measure"]

SCHEMA = "sieveward.measurement/1"

WHOLE_FROM = 12_000_000  # pixels from which a scan is read in bands
Progress = Callable[[int, float], None]

_LINES = 10_000  # of a table of openings written at a time
_NEEDED_PX = 4.0  # below this an opening and its wires are two blurred edges without a level
_BLURS_OPENING = 4.0  # blur sigmas an opening must have
_NOMINAL_WITHIN = 0.15
_UNCLEAR = 0.25  # share of openings; lint and dust stay far below
_RIVAL = 0.3  # height of a second mesh in the spectrum, as a share of the first
_SHADED = 0.35  # share of the light by which the edges may differ from a model of them
_SHADED_ABOVE = 0.05  # the same in reflected light, where it means highlights and shadows
_ELSEWHERE = 0.1  # openings in a second patch, as a share of the first
_JUMP_PX = 0.75  # steps aside that flatbed carriages do not make by themselves
_EDGES_SAY = 1.04  # ratio of misfits from which the edges have an opinion on the encoding
_EXCESS_SAYS = 0.002  # by how much the other encoding's edges may stand out more; see stored_misfit
_FIT = ("ok", "indicative", "refused")


def _silent(_picture: int, _share: float) -> None:
    """Progress that nobody asked for."""


@dataclass(frozen=True, eq=False)
class Picture:
    """One scan with what was read from it.

    `pixels` can be looked up like an array (h, w) of linear light; a sheet reads them as asked.
    """

    scan: Scan | ScanSource
    encoding: str
    encoding_reason: str
    pixels: NDArray[np.float32] | Sheet
    field: Field
    samples: tuple[Sample, Sample]

    @property
    def reduced(self) -> int:
        """How many times smaller than the scan `light` is."""
        return self.pixels.reduction if isinstance(self.pixels, Sheet) else 1

    @property
    def light(self) -> NDArray[np.float32]:
        """The picture (h, w) in linear light, to be looked at as a whole."""
        return self.pixels.reduced() if isinstance(self.pixels, Sheet) else self.pixels

    @property
    def aperture_px(self) -> float:
        """Typical opening, the mean of both directions, px."""
        return float(np.mean([np.median(a.fit.width[self.field.ok]) for a in self.field.axes]))

    @property
    def blur_px(self) -> float:
        """Blur of the edges as a Gaussian sigma, the larger of both directions, px."""
        return max(a.response.sigma for a in self.field.axes)


@dataclass(frozen=True, eq=False)
class Measurement:
    """Everything learnt from the scans of one cloth; `to_dict` is its public form."""

    nominal_um: float
    scale: Scale
    pictures: tuple[Picture, ...]
    directions: tuple[DirectionSummary, DirectionSummary]
    budget: tuple[Contribution, ...]
    fit: str
    fit_reasons: tuple[str, ...]
    verdict: Verdict | None

    def count(self, *states: str) -> int:
        """Number of openings in any of these states, over all pictures."""
        return sum(int(np.isin(p.field.state, states).sum()) for p in self.pictures)

    @property
    def blocked_share(self) -> float:
        """Covered share (0..1) of the area of all openings that are not cut by a border."""
        whole = [p.field.state != "partial" for p in self.pictures]
        filled = [
            np.where(p.field.state == "blocked", p.field.filled, 0)[w]
            for p, w in zip(self.pictures, whole, strict=True)
        ]
        return float(np.concatenate(filled).mean())

    def to_dict(self) -> dict[str, Any]:
        """The measurement as JSON-ready data, schema `sieveward.measurement/1`."""
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "nominal_um": self.nominal_um,
            "angle_deg": _rounded(self._angle_deg()),
            "images": [_image(p) for p in self.pictures],
            "scale": self._scale(),
            "directions": {
                name: _clean(vars(d)) for name, d in zip("xy", self.directions, strict=True)
            },
            "apertures": {
                "measured": self.count("ok"),
                "blocked": self.count("blocked"),
                "torn": self.count("torn"),
                "excluded": self.count("partial", "unclear"),
                "blocked_share": _rounded(self.blocked_share),
            },
            "imaging": self._imaging(),
            "budget": [_clean(c.to_dict()) for c in self.budget],
        }
        if self.verdict is not None:
            out["verdict"] = self.verdict.to_dict()
        return out

    def _scale(self) -> dict[str, Any]:
        plain = {k: v for k, v in vars(self.scale).items() if k != "rest"}
        return {**_clean(plain), "mapped": self.scale.rest is not None}

    def _angle_deg(self) -> float:
        """Angle of direction x from the picture's horizontal, towards y (downward) positive."""
        x, y = self.pictures[0].field.run_of_x()
        return math.degrees(math.atan2(y, x))

    def _imaging(self) -> dict[str, Any]:
        worst = max(self.pictures, key=lambda p: p.blur_px / p.aperture_px)
        levels = [
            (
                float(np.median(a.fit.amplitude[p.field.ok])),
                float(np.median(a.fit.floor[p.field.ok])),
            )
            for p in (worst,)
            for a in p.field.axes
        ]
        amplitude, floor = np.mean(levels, axis=0)
        return {
            "blur_px": _rounded(worst.blur_px),
            "noise_percent": _rounded(100 * worst.field.pixel_noise / float(amplitude)),
            "contrast": _rounded(float(amplitude / max(amplitude + max(floor, 0.0), 1e-9))),
            "aperture_px": _rounded(worst.aperture_px),
            "fit": self.fit,
            "reasons": list(self.fit_reasons),
        }

    def apertures_csv(self) -> str:
        """One line per opening: where it is, how wide, its state and flags."""
        return "".join(self.apertures_lines())

    def apertures_lines(self) -> Iterator[str]:
        """The same in pieces of many lines."""
        yield "image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags\n"
        for number, p in enumerate(self.pictures, start=1):
            f = p.field
            names = {value: flag_names(int(value)) for value in np.unique(f.flags)}
            for first in range(0, len(f.row), _LINES):
                part = slice(first, first + _LINES)
                widths = (s.width[part].tolist() for s in p.samples)
                place = (f.row[part].tolist(), f.column[part].tolist(), *f.centre[part].T.tolist())
                flags = [names[v] for v in f.flags[part].tolist()]
                columns = (*place, *widths, f.state[part].tolist(), flags)
                text = f"{number},%d,%d,%.3f,%.3f,%.4f,%.4f,%s,%s\n" * len(flags)
                values = tuple(chain.from_iterable(zip(*columns, strict=True)))
                yield (text % values).replace("nan", "")

    def overlay_png(self, index: int) -> bytes:
        """Picture `index` (from 0) with the openings marked, as PNG."""
        picture = self.pictures[index]
        return pixels.encode_png(draw_overlay(picture.light, picture.field, picture.reduced))


def measure(
    images: Sequence[Path],
    *,
    nominal_um: float,
    scale: Scale,
    encoding: str = "auto",
    standard: str | None = None,
    grade: str = "compliance",
    n: int | None = None,
    rule: str = "guard-band",
    coarser: Sequence[tuple[str, str]] = (),
    extra: Sequence[Contribution] = (),
    in_scan: Sequence[InScan] = (),
    population: int | None = None,
    max_megapixels: float | None = None,
    progress: Progress = _silent,
) -> Measurement:
    """Measure one or more scans of one cloth and, with a `standard`, judge it.

    `nominal_um` is the size on the rim; `n` the number of openings the limit on s is taken for,
    by default as many as were measured; `coarser` names standards and grades the sieve may serve
    under when it fails its own; `extra` are budget lines of a repeatability study;
    `in_scan` gives each picture the scale of the artefact that lies in it, `scale` then says what
    is unsure about all of them; `population` is the number of apertures of the whole cloth, which
    one picture with the frame all round tells by itself; `max_megapixels` replaces the limit on
    what a file may unpack to; `progress` is told the number of the picture and the share of it
    that is done. Raises an `InputError` when a picture cannot carry a measurement.
    """
    read_rule(rule)
    allowed = limits(nominal_um, standard or DEFAULT_STANDARD, grade=grade, n=n)
    _check_resolution(images[0], nominal_um, scale)
    own: Sequence[InScan | None] = in_scan or [None] * len(images)
    pictures = tuple(
        _look(path, scale, encoding, nominal_um, max_megapixels, partial(progress, number), beside)
        for number, (path, beside) in enumerate(zip(images, own, strict=True))
    )
    population = population or whole_cloth([p.field for p in pictures], scale)
    parts = [
        summarise([p.samples[axis] for p in pictures], scale, axis, population) for axis in (0, 1)
    ]
    packed = _compressed(pictures)
    parts = [with_study(*part, packed, axis) for part, axis in zip(parts, "xy", strict=True)]
    covered = all(scale.covers(p.field.centre[p.field.ok]).all() for p in pictures)
    fit, reasons = _fitness([b for _, b in parts], allowed, nominal_um, scale, covered)
    if fit == "refused":
        from_above = not all(p.field.lattice.bright for p in pictures)
        advice = "Light the cloth from behind" if from_above else _finer(nominal_um, scale)
        raise _refused(images[0], reasons[0], advice)
    # What operators and days add is no fault of the picture, so it comes after its fitness.
    parts = [with_study(*part, extra, axis) for part, axis in zip(parts, "xy", strict=True)]
    (x, _), (y, _) = parts
    draft = Measurement(
        nominal_um, scale, pictures, (x, y), (*parts[0][1], *parts[1][1]), fit, reasons, None
    )
    if standard is None:
        return draft
    count = min(x.count, y.count) if n is None else n
    # Some limits on s depend on how many openings were measured.
    if n is None and (grade != "compliance" or allowed.s_limit_um is None):
        allowed = limits(nominal_um, standard, grade=grade, n=count)
    verdict = judge(
        x,
        y,
        allowed,
        fit=fit,
        fit_reasons=reasons,
        blocked_share=draft.blocked_share,
        torn=draft.count("torn"),
        rule=rule,
        share_above_z=_shares_above(pictures, allowed),
        coarser=[limits(nominal_um, name, grade=g, n=count) for name, g in coarser],
    )
    return replace(draft, verdict=verdict)


def _look(
    path: Path,
    scale: Scale,
    encoding: str,
    nominal_um: float,
    max_megapixels: float | None,
    progress: Callable[[float], None],
    beside: InScan | None,
) -> Picture:
    if beside is None and (size_of(path) or 0) > WHOLE_FROM:
        source = open_source(path, max_megapixels)
        scan: Scan | ScanSource = source
        assumption, field, light = _whole(source, encoding, progress)
    else:
        scan = load_scan(path, max_megapixels or MAX_MEGAPIXELS)
        if beside is not None:
            scale = beside.scale
            scan = replace(scan, raw=covered_up(scan.raw, beside.region))
        assumption, field, light = _at_once(scan, encoding)
    if beside is not None:
        field = _cut_by(beside.region, field)
    _check_regular(path, field)
    _check_still(path, field)
    samples = (sample_of(field, scale, 0), sample_of(field, scale, 1))
    told = (assumption.encoding, assumption.reason)
    picture = Picture(scan, *told, light, field, samples)
    _check_blur(path, picture, nominal_um, scale)
    seen = float(np.mean([np.median(s.width[s.ok]) for s in samples]))
    if abs(seen / nominal_um - 1) > _NOMINAL_WITHIN:
        raise NominalMismatchError(
            file=path.name,
            seen=format_length(float(f"{seen:.3g}")),
            percent=100 * (seen / nominal_um - 1),
            nominal=format_length(nominal_um),
        )
    progress(1.0)
    return picture


def _cut_by(region: tuple[int, int, int, int], field: Field) -> Field:
    """What lies within one and a half pitches of an artefact is cut by it, whatever it looks."""
    left, top, right, bottom = region
    margin = 1.5 * float(field.lattice.pitch.lengths.max())
    x, y = field.centre.T
    beside = (x > left - margin) & (x < right + margin) & (y > top - margin) & (y < bottom + margin)
    state = np.where(beside, "partial", field.state)
    flags = np.where(beside, field.flags | int(Flag.BORDER), field.flags)
    return replace(field, state=state, flags=flags)


def _at_once(scan: Scan, encoding: str) -> tuple[Assumption, Field, NDArray[np.float32]]:
    """A picture measured in memory."""
    assumption = assumed_encoding(scan, encoding)
    light = linear_light(scan, assumption.encoding)
    lattice = find_lattice(light, scan.path.name)
    _check_one_cloth(scan.path, lattice)
    view = look_at(light, lattice, scan.path.name)
    if assumption.guess:
        guessed, alternative = assumption.encoding, assumption.alternative
        other = look_at(linear_light(scan, alternative), lattice, scan.path.name)
        here = stored_misfit(view, stored_by(guessed))
        there = stored_misfit(other, stored_by(alternative))
        assumption = _asked_the_edges(assumption, here, there)
        if assumption.encoding != guessed:
            light, view = linear_light(scan, alternative), other
    return assumption, measure_field(view), light


def _whole(
    source: ScanSource, encoding: str, progress: Callable[[float], None]
) -> tuple[Assumption, Field, Sheet]:
    """A large scan measured in bands."""
    assumption = assumed_encoding(source, encoding)
    with Crew.of(source) as crew:
        sheet, lattice = find_whole(source, assumption.encoding, crew)
        _check_one_cloth(source.path, lattice)
        if assumption.guess:
            there = crew.later(misfit_if, assumption.alternative, sheet.bright, lattice)
        view = look_at_whole(sheet, lattice)
        if assumption.guess:
            assumption = _asked_the_edges(assumption, misfit_under(view), there())
            if assumption.encoding != sheet.encoding:
                view = look_at_whole(replace(sheet, encoding=assumption.encoding), lattice)
        return assumption, measure_whole(view, crew, progress), view.sheet


def _asked_the_edges(
    guess: Assumption, here: tuple[float, float], there: tuple[float, float]
) -> Assumption:
    """A guess of the encoding, or the other one if the edges say so.

    `here` is what `stored_misfit` says under the guess, `there` under its alternative.
    """
    ratio = here[0] / max(there[0], 1e-12)
    if ratio > _EDGES_SAY and there[1] <= here[1] + _EXCESS_SAYS:
        reason = f"no colour tags; the edges fit {guess.alternative} better, {ratio:.2f} to 1"
        return Assumption(guess.alternative, reason)
    sure = ratio < 1 / _EDGES_SAY
    says = f"the edges agree, {1 / ratio:.2f} to 1" if sure else "the edges cannot tell"
    return replace(guess, reason=f"{guess.reason}; {says}")


def _check_blur(path: Path, picture: Picture, nominal_um: float, scale: Scale) -> None:
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
            advice=_finer(nominal_um, scale),
        )


def _check_resolution(path: Path, nominal_um: float, scale: Scale) -> None:
    """Refuse before looking when the scale says that no opening can be resolved."""
    aperture_px = nominal_um / max(scale.um_per_px_x, scale.um_per_px_y)
    if aperture_px < _NEEDED_PX:
        raise UnderResolvedError(
            file=path.name,
            aperture_px=aperture_px,
            reason=" at this scale",
            needed=_NEEDED_PX,
            advice=_finer(nominal_um, scale),
        )


def _check_regular(path: Path, field: Field) -> None:
    """Refuse what has a lattice but no openings between straight wires."""
    inner = field.state != "partial"
    sound = field.ok
    if not sound.any():
        reason = "not one opening between four straight wires could be measured in it"
    elif max(a.excess for a in field.axes) > (_SHADED if field.lattice.bright else _SHADED_ABOVE):
        reason = "its wires throw shadows or shine, so that their edges are not where light ends"
    elif (field.state == "unclear").sum() > _UNCLEAR * inner.sum():
        reason = "too many openings do not look like gaps between straight wires"
    elif any(np.std(a.fit.width[sound]) > 0.35 * np.mean(a.fit.width[sound]) for a in field.axes):
        reason = "the openings differ too much in size to be one woven cloth"
    else:
        return
    advice = "Check that it shows woven wire cloth, lit evenly from behind, flat and in focus"
    raise _refused(path, reason, advice)


def _check_one_cloth(path: Path, lattice: Lattice) -> None:
    """Refuse two meshes, side by side or one behind the other, and cloth in pieces."""
    if lattice.pitch.rival > _RIVAL:
        reason = "more than one regular pattern lies in it"
        raise _refused(path, reason, "Scan one woven cloth at a time, without moving it")
    if lattice.elsewhere > _ELSEWHERE:
        reason = "it shows patches of cloth that do not hang together"
        raise _refused(path, reason, "Scan one cloth at a time, without moving it")


def _check_still(path: Path, field: Field) -> None:
    """Refuse a picture in which everything steps aside at one line."""
    jump = largest_jump(field)
    opening = float(np.median(field.axes[0].fit.width[field.ok]))
    if jump.size > max(_JUMP_PX, 0.03 * opening):
        reason = (
            f"everything in it steps aside by {jump.size:.1f} px at {jump.axis} = {jump.at:.0f}, "
            "so the carriage or the sieve moved"
        )
        raise _refused(path, reason, "Scan again without touching the scanner")


def _refused(path: Path, reason: str, advice: str) -> RefusedImageError:
    return RefusedImageError(file=path.name, reason=reason, advice=advice)


def _finer(nominal_um: float, scale: Scale) -> str:
    """What would help: ten px per opening, by scanner where one gets there, else microscope."""
    um_per_px = min(nominal_um / 10, 0.8 * min(scale.um_per_px_x, scale.um_per_px_y))
    for dpi in (600, 1200, 2400, 4800):
        if 25_400 / dpi <= um_per_px:
            return f"Scan at {dpi} dpi or more, in focus"
    return f"Use a microscope at {um_per_px:.2g} um per px or finer"


def _fitness(
    budgets: Sequence[Sequence[Contribution]],
    allowed: Limits,
    nominal_um: float,
    scale: Scale,
    covered: bool,
) -> tuple[str, tuple[str, ...]]:
    """How far the imaging carries a verdict: ok to U = Y/3, indicative to Y, else refused.

    U (k = 2) is that of the mean without sampling: how many openings were looked at is a matter
    of the sampling, not of the picture.
    """
    grade, reasons = 0, []
    for name, budget in zip("xy", budgets, strict=True):
        expanded = 2 * imaging_part(budget)
        level = 0 if expanded <= allowed.y_um / 3 else 1 if expanded <= allowed.y_um else 2
        if level:
            lines = [c for c in lines_of(budget) if c.name != "sampling"]
            largest = max(lines, key=lambda c: c.value_um)
            reasons.append(
                f"in {name} the mean is known to {expanded:.2g} um only, against a limit of "
                f"{allowed.y_um:g} um; most of it comes from the {largest.name}"
            )
        grade = max(grade, level)
    if not covered:
        grade = max(grade, 1)
        reasons.append("part of the cloth lies where the scale's artefact was not seen")
    elif grade == 1:
        reasons.append(_finer(nominal_um, scale))
    return _FIT[grade], tuple(reasons)


def _compressed(pictures: Sequence[Picture]) -> list[Contribution]:
    """Budget lines for what JPEG did, the worst of the pictures; none where there is none."""
    packed = [p for p in pictures if p.scan.kind == "JPEG"]
    worst = max((u_compression_px(p.scan.path, p.aperture_px) for p in packed), default=0.0)
    if worst == 0:
        return []
    um_per_px = [float(np.median(pictures[0].samples[axis].um_per_px)) for axis in (0, 1)]
    return [
        Contribution("JPEG", axis, worst * scale)
        for axis, scale in zip("xy", um_per_px, strict=True)
    ]


def _shares_above(pictures: Sequence[Picture], allowed: Limits) -> tuple[float, float] | None:
    if allowed.z_um is None:
        return None
    limit = allowed.nominal_um + allowed.z_um
    shares = []
    for axis in (0, 1):
        width = np.concatenate([p.samples[axis].width[p.field.ok] for p in pictures])
        shares.append(float((width > limit).mean()))
    return shares[0], shares[1]


def _image(picture: Picture) -> dict[str, Any]:
    height, width = picture.scan.shape
    return {
        "file": picture.scan.path.name,
        "sha256": picture.scan.sha256,
        "width_px": width,
        "height_px": height,
        "encoding": picture.encoding,
        "encoding_reason": picture.encoding_reason,
        "unread": [list(box) for box in getattr(picture.scan, "lost", ())],
    }


def _rounded(value: float) -> float | None:
    """Nine significant digits, and null for what is not a number."""
    return float(f"{value:.9g}") if math.isfinite(value) else None


def _clean(values: dict[str, Any]) -> dict[str, Any]:
    return {k: _rounded(v) if isinstance(v, float) else v for k, v in values.items()}
