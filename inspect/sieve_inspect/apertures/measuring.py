"""Every opening of a scan, whatever its size.

1. Openings are located all over (`lattice`).
2. A sample of them is fitted in full: it shows the blur, how it varies, and, where single openings
   are too tight to show a level, the levels. A cloth of up to a thousand openings is all sample.
3. A matched filter measures every other opening. Its mean difference from the full fits of the
   sample is removed; the rest of the difference decides whether it is accurate enough.
4. What the filter cannot settle (foreign matter, torn wires, cut openings, whatever does not fit)
   is fitted in full; so is everything where filter and full fits do not agree, or where the
   openings are brighter than the sensor's range.
5. Rules give every opening its state (`states`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sieve_inspect.apertures.bulk import BulkEdges, Priors, measure_bulk
from sieve_inspect.apertures.encoding_evidence import EXAMINED, edge_pattern
from sieve_inspect.apertures.field import Field, field_of
from sieve_inspect.apertures.fit_rules import neighbours
from sieve_inspect.apertures.opening_set import light_at
from sieve_inspect.apertures.prepared_field import PreparedField
from sieve_inspect.apertures.sampling import PreparedScan
from sieve_inspect.arrays import Bool, Float, Index
from sieve_inspect.edges.direction import Axis, measure_with_response
from sieve_inspect.edges.field_maps import BlurMap, Levels, level_prior
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.model import LevelPrior, Parameter
from sieve_inspect.edges.profiles import across_of
from sieve_inspect.edges.response import EdgeResponse
from sieve_inspect.image import ScanSource, stored_by
from sieve_inspect.image.light import ScanLight
from sieve_inspect.workers.shared_work import Progress, SharedWork, progress_part

_AT_ONCE = 4000  # openings measured in full in one task
_FAR_AT_ONCE = 200_000  # wires whose far edges are looked up together
_MANY = 1_000_000  # openings from which the helper's memory is worth more than its help
_MATCHING = 0.7  # share of the time that the matched filter takes
_ALIKE = 0.01  # px that filter and full fits may differ by beside the noise
_FAR_OUT = 4.5  # robust standard deviations from which a width is measured in full
_NEAR_RANGE = 3  # noises below the upper end of the sensor's range from which clipping matters


def measure_scan(
    scan: PreparedScan, work: SharedWork, progress: Progress = lambda _: None
) -> tuple[Field, float]:
    """Measure every opening of the cloth; `progress` receives the share done.

    Also returns the `EncodingEvidence.pattern` of a patch of the sample, as measured.
    """
    field, count = scan.field, len(scan.field.row)
    task = (scan.light.encoding, scan.light.bright, scan.sample.without_pixels())
    near = scan.sample.patch(EXAMINED)
    measured = work.map(_measured, [(*task, near, axis) for axis in (0, 1)])
    sample = (measured[0][0], measured[1][0])
    pattern = float(np.sqrt(np.mean([square for _, square in measured])))
    if len(scan.which) == count:
        work.close()
        return field_of(field, sample), pattern
    priors = (_prior(scan, 0, sample[0]), _prior(scan, 1, sample[1]))
    matched = None
    if not any(estimate.saturated for estimate in field.initial):
        matched = _matched(scan, sample, priors, work, progress_part(progress, 0, _MATCHING))
    if matched is not None:
        field, fits, doubt = matched
    else:
        fits, doubt = [EdgeFit.blank(count), EdgeFit.blank(count)], np.ones(count, np.bool_)
    closer = np.flatnonzero(doubt)
    closer = closer[_lit(field, fits, closer)]
    rest = progress_part(progress, 0 if matched is None else _MATCHING, 1)
    full = _in_full(scan, field, closer, sample, priors, work, rest)
    dark = np.setdiff1d(np.flatnonzero(doubt), closer)
    done = []
    for k, (axis, fit, better) in enumerate(zip(sample, fits, full, strict=True)):
        fit.overwrite(closer, better)
        fit.overwrite(dark, EdgeFit.blank(len(dark)))
        done.append(replace(axis, fit=fit, normal=across_of(field.vectors, k)))
    del fits, full, matched
    work.close()
    return field_of(field, (done[0], done[1]), doubt), pattern


def _matched(
    scan: PreparedScan,
    sample: tuple[Axis, Axis],
    priors: Priors,
    work: SharedWork,
    progress: Progress,
) -> tuple[PreparedField, list[EdgeFit], Bool] | None:
    """The field with better centres, its fits by the matched filter, and openings in doubt (n,).

    None where the filter is not as accurate as full fits.
    """
    field = scan.field
    bulk = measure_bulk(scan.light, field.centre, field.vectors, sample, priors, work, progress)
    if len(field.row) > _MANY:
        work.close()
    field, doubt = replace(field, centre=bulk.centre), bulk.doubt | ~field.seen
    index = neighbours(field.row, field.column)
    fits = [_as_fit(bulk, k, index, field.vectors, sample[k]) for k in (0, 1)]
    del bulk, index  # of a million openings they are two hundred megabytes
    for fit, axis in zip(fits, sample, strict=True):
        if not _make_agree(fit, axis.fit, scan.which):
            return None
        doubt |= ~np.isfinite(fit.width) | fit.poor | _far_out(fit.width)
        if field.clip is not None:  # the filter does not model the ends of the sensor's range
            noise = float(np.nanmedian(fit.misfit))
            doubt |= fit.floor + fit.amplitude > field.clip.high - _NEAR_RANGE * noise
            if np.median(axis.fit.floor) > field.clip.low + noise:  # or else it is so all over
                doubt |= fit.floor < field.clip.low + noise
    return field, fits, doubt


def _lit(field: PreparedField, fits: list[EdgeFit], which: Index) -> Bool:
    """Whether light comes through the middle of some openings; a dark opening has no edges."""
    if all(np.isnan(f.width).all() for f in fits):
        return np.ones(len(which), np.bool_)
    levels = Levels.from_fits(field.centre, field.seen, fits).take(which)
    return light_at(field.light, field.centre[which]) > 0.5 * (levels.floor + levels.top)


def _far_out(width: Float) -> Bool:
    """Widths (n,) too far from the usual to be accepted from the filter alone."""
    middle = np.nanmedian(width)
    spread = 1.4826 * np.nanmedian(np.abs(width - middle))
    return np.asarray(np.abs(width - middle) > _FAR_OUT * spread)


def _as_fit(bulk: BulkEdges, axis: int, index: Index, vectors: Float, sample: Axis) -> EdgeFit:
    """The matched filter's result in the form of a full fit.

    The far edge of a wire is the near edge of the next opening.
    """
    values = bulk.values
    first, second = values.first[axis], values.second[axis]
    across = across_of(vectors, axis)
    wire = float(np.nanmedian(sample.fit.wires))
    far, seen = [], []
    for side, edge, sign in ((2 * axis + 1, second, -1), (2 * axis, first, 1)):
        other = index[:, side]
        there = (other >= 0) & ~bulk.doubt[other]
        apart = edge[other]
        for part in np.array_split(np.arange(len(other)), max(1, len(other) // _FAR_AT_ONCE)):
            way = bulk.centre[other[part]] - bulk.centre[part]
            apart[part] += (way * across[part]).sum(axis=1)
        near = first if sign < 0 else second
        far.append(np.where(there, apart, near + sign * wire))
        seen.append(there)
    level = values.amplitude[axis]
    columns = {
        Parameter.FLOOR: values.floor[axis],
        Parameter.AMPLITUDE: level,
        Parameter.AMPLITUDE_BEFORE: level,
        Parameter.AMPLITUDE_AFTER: level,
        Parameter.EDGE_BEFORE: far[0],
        Parameter.FIRST_EDGE: first,
        Parameter.SECOND_EDGE: second,
        Parameter.EDGE_AFTER: far[1],
    }
    return EdgeFit(
        np.stack([columns[name] for name in Parameter], axis=1).astype(np.float32),
        values.noise_factor[axis],
        values.misfit[axis],
        values.peak[axis],
        np.full((len(first), 2), np.nan, np.float16),
        np.stack(seen, axis=1),
    )


def _make_agree(fit: EdgeFit, full: EdgeFit, which: Index) -> bool:
    """Remove, in place, the mean difference from full fits of the openings `which`.

    Returns whether the rest of the difference is small.
    """
    here = fit.take(which)
    both = np.isfinite(here.width + full.width) & ~full.poor & ~here.poor
    if 2 * both.sum() < len(which):
        return False
    differ = (here.width - full.width)[both]
    off = float(np.median(differ))
    rest = 1.4826 * float(np.median(np.abs(differ - off)))
    noise = float(np.median((full.noise_factor * full.misfit)[both]))
    # Wires keep their width: their far edges move together with those of the opening.
    fit.parameters[:, Parameter.EDGE_BEFORE : Parameter.SECOND_EDGE] += 0.5 * off
    fit.parameters[:, Parameter.SECOND_EDGE :] -= 0.5 * off
    return rest < max(_ALIKE, noise)


def _in_full(
    scan: PreparedScan,
    field: PreparedField,
    which: Index,
    sample: tuple[Axis, Axis],
    priors: Priors,
    work: SharedWork,
    progress: Progress,
) -> list[EdgeFit]:
    """Full fits of the openings `which` in both directions, as the sample was measured."""
    parts = np.array_split(which, max(1, -(-len(which) // _AT_ONCE)))
    tasks = []
    for axis in (0, 1):
        prior = priors[axis]
        edges = (sample[axis].response, sample[axis].blur_map)
        for part in parts:
            light = (scan.light.encoding, scan.light.bright)
            some = field.take(part).without_pixels()
            known = prior.take(part) if prior is not None else None
            tasks.append((*light, some, axis, *edges, known, sample[axis].fit.limits))
    fits = work.map(_fitted, tasks, progress)
    half = len(parts)
    return [EdgeFit.joined(fits[:half]), EdgeFit.joined(fits[half:])]


def _measured(
    source: ScanSource, encoding: str, bright: bool, field: PreparedField, near: Index, axis: int
) -> tuple[Axis, float]:
    """One direction of a field sent without its pixels, measured in full.

    Also the mean square of the pattern at the edges of the openings `near`.
    """
    field = replace(field, light=ScanLight(source, encoding, bright))
    profiles, result = field.measured(axis)
    return result, edge_pattern(field, profiles, result, near, stored_by(encoding))


def _fitted(
    source: ScanSource,
    encoding: str,
    bright: bool,
    field: PreparedField,
    axis: int,
    response: EdgeResponse,
    blur_map: BlurMap | None,
    prior: LevelPrior | None,
    limits: tuple[float, float],
) -> EdgeFit:
    """Full fits in one direction, under a known edge response, of a field sent without pixels."""
    light = ScanLight(source, encoding, bright)
    place = (light, field.centre, field.vectors, field.initial, field.clip)
    return measure_with_response(*place, axis, response, blur_map, prior, limits)


def _prior(scan: PreparedScan, axis: int, sample: Axis) -> LevelPrior | None:
    """Levels that the sample predicts everywhere, where single openings do not show theirs."""
    if not scan.sample.initial[axis].tight:
        return None
    good = np.flatnonzero(np.isfinite(sample.fit.width) & ~sample.fit.poor)
    noise = float(np.median(sample.fit.misfit[good]))
    return level_prior(sample.fit.take(good), scan.which[good], scan.field.centre, noise)
