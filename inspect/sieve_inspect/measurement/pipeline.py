"""The steps from scans to a judged measurement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import MissingScaleError, UsageError
from sieve_inspect.files import refuse_twins
from sieve_inspect.illumination.model import NOT_STATED, Illumination
from sieve_inspect.measurement.cloth_maps import labelled_maps
from sieve_inspect.measurement.label import (
    against_label,
    angle_deg,
    exchanged_by_label,
    with_exchanged,
)
from sieve_inspect.measurement.lighting import correct_light
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.options import Judging, Prior, Resources
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.scan_task import Task, measure_picture, picture_of, scan_of_array
from sieve_inspect.measurement.suitability import check_resolution
from sieve_inspect.scale import Scale, scale_from_text
from sieve_inspect.standard import DEFAULT_STANDARD, limits, resolve_nominal
from sieve_inspect.standard.nearest import nearest_sizes
from sieve_inspect.summary.compression import u_compression_px
from sieve_inspect.summary.fields import scatter_between, scatter_of
from sieve_inspect.summary.repeatability import with_study
from sieve_inspect.summary.statistics import gap_means, summarise, whole_cloth
from sieve_inspect.summary.uncertainty import BudgetSource, Contribution
from sieve_inspect.verdict import Fit, read_rule
from sieve_inspect.workers.runner import in_task_order

if TYPE_CHECKING:
    from sieve_inspect.measurement.overlaps import RepeatedField
    from sieve_inspect.scale.artefact.in_scan import InScan

_NO_JUDGING, _NOTHING_PRIOR, _PLAIN = Judging(), Prior(), Resources()


def measure(
    images: str | Path | Sequence[str | Path],
    *,
    nominal_um: float | str | None = None,
    scale: Scale | None = None,
    um_per_px: float | tuple[float, float] | None = None,
    encoding: str = "auto",
    judging: Judging = _NO_JUDGING,
    prior: Prior = _NOTHING_PRIOR,
    illumination: Illumination = NOT_STATED,
    in_scan: Sequence[InScan] = (),
    resources: Resources = _PLAIN,
) -> Measurement:
    """Measure one scan or several scans of one cloth and, with a standard, judge it.

    `images` are paths of PNG, JPEG, TIFF or BMP files. `nominal_um` is the size on the rim, a
    number of um or a text such as "75um", "0.075mm" or "No. 200"; without it the measurement names
    the nearest published sizes and judges nothing. The scale is either a `Scale` or
    `um_per_px`, a number or (x, y), with the uncertainty of an uncertified flatbed scanner.
    `encoding` is "srgb", "linear" or "auto". `judging` names limits and rule, `prior` what is
    known of sieve and method before, `illumination` lamp and view: widths are corrected for them.
    `in_scan` gives each picture the scale of the artefact that lies in it; `scale` then holds their
    common uncertainty.

    Raises `MissingScaleError`, `UsageError` for a wrong option, `SameImageError` for a file given
    twice, and another `InputError` when a picture cannot carry a measurement.

    >>> m = measure("s0125-1.tif", nominal_um=125, um_per_px=5.29)
    >>> x, y = m.directions
    >>> f"{x.mean_um:.0f} um, U = {x.U_mean_um:.1f} um, k = {x.k_mean:.2f}"
    '125 um, U = 4.0 um, k = 2.12'
    >>> list(m.apertures().columns)[:5]
    ['image', 'row', 'col', 'x_px', 'y_px']
    """
    paths = _paths(images)
    nominal, scale = _nominal(nominal_um, judging), _scale(scale, um_per_px)
    refuse_twins(paths)
    if nominal is not None:
        check_resolution(paths[0], nominal, scale)
    beside: Sequence[InScan | None] = in_scan or [None] * len(paths)
    tasks = (
        Task(path, nominal, scale, encoding, resources.max_megapixels, artefact)
        for path, artefact in zip(paths, beside, strict=True)
    )
    pictures = in_task_order(resources.run(measure_picture, tasks, resources.progress))
    return _summarised(pictures, nominal, scale, prior, illumination, judging)


def measure_array(
    array: NDArray[Any],
    *,
    nominal_um: float | str | None = None,
    scale: Scale | None = None,
    um_per_px: float | tuple[float, float] | None = None,
    encoding: str = "auto",
    judging: Judging = _NO_JUDGING,
    prior: Prior = _NOTHING_PRIOR,
    illumination: Illumination = NOT_STATED,
) -> Measurement:
    """Measure one picture held in memory; no file is read or written.

    `array` is grey (h, w) or RGB (h, w, 3), unsigned 8 or 16 bit, or floating point from 0 to 1;
    the other arguments, the result and the errors are those of `measure`. With "auto", 8 bit
    is taken for sRGB and anything else for linear light unless the edges in the picture disagree.

    >>> m = measure_array(pixels, nominal_um=125, um_per_px=(5.29, 5.31), encoding="srgb")
    >>> print(m.judge("iso3310-1:2016").reasons[-1])
    the sampling plan is not met: fields 1 of 7.
    """
    nominal, scale = _nominal(nominal_um, judging), _scale(scale, um_per_px)
    source = scan_of_array(array)
    if nominal is not None:
        check_resolution(source.path, nominal, scale)
    picture = picture_of(source, Task(source.path, nominal, scale, encoding))
    return _summarised([picture], nominal, scale, prior, illumination, judging)


def _summarised(
    pictures: Sequence[Picture],
    nominal_um: float | None,
    scale: Scale,
    prior: Prior,
    illumination: Illumination,
    judging: Judging,
) -> Measurement:
    """From measured pictures to statistics, budget and verdict.

    Everything is measured along the picture; directions then go by the label, or by the cloth
    where it was measured before.
    """
    population = prior.population or whole_cloth([p.field for p in pictures], scale)
    pictures, light, further = correct_light(pictures, scale, illumination)
    further += _compression(pictures) + _smoothing(pictures)
    counts: tuple[int, ...] = (0,)
    shared: tuple[tuple[RepeatedField, ...], ...] = ((),)
    quarter: tuple[bool | None, ...] = (False,)
    if len(pictures) > 1:
        from sieve_inspect.measurement.overlaps import without_overlaps

        pictures, overlaps = without_overlaps(pictures, scale, light)
        counts, shared, quarter = overlaps.counts, overlaps.shared, overlaps.quarter
    angles = [angle_deg(picture) for picture in pictures]
    exchanged = exchanged_by_label(angles, prior.turned_deg, quarter)
    turned: Sequence[bool | None] = ()
    if prior.by_cloth is not None:
        turned = prior.by_cloth(labelled_maps(pictures, exchanged, scale, light, prior.device))
    against = against_label(turned, len(pictures))
    exchanged = tuple(own != other for own, other in zip(exchanged, against, strict=True))
    pictures = with_exchanged(pictures, exchanged)
    study = [replace(line, source=BudgetSource.REPRODUCIBILITY) for line in prior.study]
    results = []
    for number, (name, along) in enumerate(zip("xy", "yx" if exchanged[0] else "xy", strict=True)):
        samples = [p.samples[number] for p in pictures]
        fields = gap_means(samples)
        scatter = scatter_between(fields, None if prior.scatter is None else prior.scatter[number])
        summary, lines = summarise(samples, scale, "xy".index(along), population, scatter)
        summary = replace(summary, scatter=scatter, own_scatter=scatter_of(fields))
        own = [*lines, *(line for line in further if line.direction == along)]
        named = [replace(line, direction=name) for line in own]
        results.append(with_study(summary, named, study, name))
    (x, of_x), (y, of_y) = results
    labelled = nominal_um is not None
    size = nominal_um or nearest_sizes(0.5 * (x.mean_um + y.mean_um))[0].nominal_um
    draft = Measurement(
        size,
        scale,
        light,
        pictures,
        (x, y),
        (*of_x, *of_y),
        Fit.OK,
        (),
        labelled=labelled,
        turned_deg=prior.turned_deg,
        exchanged=exchanged,
        against_label=against,
        device=prior.device,
        overlaps=counts,
        shared=shared,
    )
    return draft.judged(judging)


def _compression(pictures: Sequence[Picture]) -> list[Contribution]:
    """Budget lines for JPEG compression, from the picture most affected by it."""
    packed = [p for p in pictures if p.scan.kind == "JPEG"]
    worst = max((u_compression_px(p.scan.path, p.aperture_px) for p in packed), default=0.0)
    return _in_both("JPEG", worst, pictures[0])


def _smoothing(pictures: Sequence[Picture]) -> list[Contribution]:
    """Budget lines for pictures smoothed after the scan: nothing of it or all of it counts."""
    worst = max(p.smoothed_px for p in pictures) / math.sqrt(2)
    return _in_both("smoothed after the scan", worst, pictures[0])


def _in_both(name: str, u_px: float, picture: Picture) -> list[Contribution]:
    if u_px == 0:
        return []
    return [
        Contribution(name, direction, u_px * float(np.median(sample.um_per_px)))
        for direction, sample in zip("xy", picture.samples, strict=True)
    ]


def _paths(images: str | Path | Sequence[str | Path]) -> list[Path]:
    given = [images] if isinstance(images, str | Path) else images
    if not given:
        raise UsageError(message="No scans: give at least one in `images`.")
    return [Path(image) for image in given]


def _nominal(nominal_um: float | str | None, judging: Judging) -> float | None:
    """The nominal in um; raises the errors of a wrong standard, grade, size or rule as well."""
    if nominal_um is None:
        if judging.standard is not None:
            raise UsageError(message="Nominal missing: to judge by `standard` give `nominal` too.")
        return None
    nominal = resolve_nominal(nominal_um) if isinstance(nominal_um, str) else float(nominal_um)
    _check_judging(nominal, judging)
    return nominal


def _scale(scale: Scale | None, um_per_px: float | tuple[float, float] | None) -> Scale:
    if scale is not None and um_per_px is not None:
        raise UsageError(message="Two scales: give `scale` or `um_per_px`, not both.")
    if scale is not None:
        return scale
    if um_per_px is None:
        raise MissingScaleError()
    x, y = um_per_px if isinstance(um_per_px, tuple) else (um_per_px, um_per_px)
    return scale_from_text(f"{float(x)},{float(y)}")


def _check_judging(nominal_um: float, judging: Judging) -> None:
    """Raise the errors of a wrong standard, grade, size or rule before the work begins."""
    read_rule(judging.rule)
    limits(nominal_um, judging.standard or DEFAULT_STANDARD, grade=judging.grade, n=judging.n)
