"""Scan files to a judged measurement: the way of the data, one step a line."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.apertures.flags import flag_names
from sieve_inspect.files import refuse_twins
from sieve_inspect.image import opencv
from sieve_inspect.measurement.overlay import draw_overlay
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.scan_task import Task, look
from sieve_inspect.measurement.suitability import check_resolution, finer, refused
from sieve_inspect.scale import Scale
from sieve_inspect.scale.artefact.in_scan import InScan
from sieve_inspect.standard import DEFAULT_STANDARD, Limits, limits
from sieve_inspect.summary.compression import u_compression_px
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.repeatability import with_study
from sieve_inspect.summary.statistics import imaging_part, summarise, whole_cloth
from sieve_inspect.summary.uncertainty import Contribution, lines_of
from sieve_inspect.verdict import Verdict, judge, read_rule
from sieve_inspect.workers.runner import Progress, Runner, in_task_order, no_progress, run_serially

__all__ = ["SCHEMA", "Measurement", "Picture", "measure"]

SCHEMA = "sieveward.measurement/1"

_LINES = 10_000  # of a table of openings written at a time
_FIT = ("ok", "indicative", "refused")


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
        return opencv.encode_png(draw_overlay(picture.light, picture.field, picture.reduced))


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
    doubts: Sequence[str] = (),
    extra: Sequence[Contribution] = (),
    in_scan: Sequence[InScan] = (),
    population: int | None = None,
    max_megapixels: float | None = None,
    progress: Progress = no_progress,
    run: Runner[Task, Picture] = run_serially,
) -> Measurement:
    """Measure one or more scans of one cloth and, with a `standard`, judge it.

    `nominal_um` is the size on the rim; `n` the number of openings the limit on s is taken for,
    by default as many as were measured; `coarser` names standards and grades the sieve may serve
    under when it fails its own; `doubts` are reasons why the outcome can only be conditional,
    such as an expired scale that was accepted; `extra` are budget lines of a repeatability study;
    `in_scan` gives each picture the scale of the artefact that lies in it, `scale` then says what
    is unsure about all of them; `population` is the number of apertures of the whole cloth, which
    one picture with the frame all round tells by itself; `max_megapixels` replaces the limit on
    what a file may unpack to; `progress` is told the number of the picture and the share of it that
    is done; `run` says who looks at the pictures, see `spread`. Raises an `InputError` when a
    picture cannot carry a measurement, `SameImageError` for one given twice.
    """
    read_rule(rule)
    allowed = limits(nominal_um, standard or DEFAULT_STANDARD, grade=grade, n=n)
    refuse_twins(images[:])  # a plain list: going through `images` may tell how far it is
    check_resolution(images[0], nominal_um, scale)
    own: Sequence[InScan | None] = in_scan or [None] * len(images)
    tasks = (
        Task(path, nominal_um, scale, encoding, max_megapixels, beside)
        for path, beside in zip(images, own, strict=True)
    )
    pictures = tuple(in_task_order(run(look, tasks, progress)))
    population = population or whole_cloth([p.field for p in pictures], scale)
    parts = [
        summarise([p.samples[axis] for p in pictures], scale, axis, population) for axis in (0, 1)
    ]
    packed = _compressed(pictures)
    parts = [with_study(*part, packed, axis) for part, axis in zip(parts, "xy", strict=True)]
    covered = all(scale.covers(p.field.centre[p.field.ok]).all() for p in pictures)
    unread = max(p.unread for p in pictures)
    of_pictures = []
    if unread > 0:
        of_pictures.append(
            f"{100 * unread:.2g} % of a file could not be read and counts as not seen"
        )
    of_pictures += [doubt for p in pictures for doubt in p.doubts]
    if not covered:
        of_pictures.append("part of the cloth lies where the scale's artefact was not seen")
    fit, reasons = _fitness([b for _, b in parts], allowed, nominal_um, scale, of_pictures)
    if fit == "refused":
        from_above = not all(p.field.lattice.bright for p in pictures)
        advice = "Light the cloth from behind" if from_above else finer(nominal_um, scale)
        raise refused(images[0], reasons[0], advice)
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
        budget=draft.budget,
        fields=len(pictures),
    )
    return replace(draft, verdict=verdict.with_doubts(doubts))


def _fitness(
    budgets: Sequence[Sequence[Contribution]],
    allowed: Limits,
    nominal_um: float,
    scale: Scale,
    doubts: Sequence[str],
) -> tuple[str, tuple[str, ...]]:
    """How far the imaging carries a verdict: ok to U = Y/3, indicative to Y, else refused.

    U (k = 2) is that of the mean without sampling: how many openings were looked at is a matter
    of the sampling, not of the picture. With other `doubts` it is indicative at best.
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
    if doubts:
        return _FIT[max(grade, 1)], (*reasons, *dict.fromkeys(doubts))
    if reasons:
        reasons.append(finer(nominal_um, scale))
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
