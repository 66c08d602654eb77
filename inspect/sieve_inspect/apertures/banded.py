"""A large cloth measured in bands: the same field as `field` makes of a picture held in memory.

1. A central window shows the pitch and which part is brighter; openings are located all over.
2. Patches from all over the cloth are measured in full: they show the blur, how it varies, and,
   where single openings are too tight to show a level, the levels.
3. A matched filter measures every opening. Its mean difference from the full fits of the patches
   is removed; the rest of the difference decides whether it is accurate enough.
4. What the filter cannot settle (foreign matter, torn wires, cut openings, whatever does not fit)
   is measured in full; so is everything where filter and full fits do not agree, or where the
   openings are brighter than the sensor's range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from sieve_inspect.apertures.bulk import BulkEdges, Priors, measure_bulk
from sieve_inspect.apertures.encoding_evidence import EncodingEvidence, encoding_evidence
from sieve_inspect.apertures.field import Field, field_of
from sieve_inspect.apertures.fit_rules import neighbours
from sieve_inspect.apertures.opening_set import light_at
from sieve_inspect.apertures.prepared_field import Openings, PreparedField, prepare_openings
from sieve_inspect.arrays import Bool, Float, Float32, Index
from sieve_inspect.edges.direction import Axis, measure_with_response
from sieve_inspect.edges.field_maps import BlurMap, Levels, level_prior
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.initial import aligned_to_sides, find_sensor_range
from sieve_inspect.edges.model import LevelPrior, Parameter
from sieve_inspect.edges.profiles import across_of
from sieve_inspect.edges.response import EdgeResponse
from sieve_inspect.image import ScanSource, opencv, stored_by
from sieve_inspect.image.light import ScanLight
from sieve_inspect.lattice.search import Lattice
from sieve_inspect.workers.shared_work import Progress, SharedWork, progress_part

ALL_UP_TO = 1000  # openings that are all measured in full; of more, patches:
_ACROSS = 4  # patches in each direction …
_REACHES = (2, 1, 0)  # … and openings to each side of a patch's middle, the most that fit
_WIDE = 5  # the same of the middle patch, from which the encoding is judged: alike in focus
_ALL_PIXELS = 6_000_000  # of a scan, from which the sensor's range is taken …
_ROWS = 64  # … or so many rows of a larger one


@dataclass(frozen=True, eq=False)
class SampleSelection:
    """All openings of a cloth, and the numbers `which` of those in the sample."""

    lattice: Lattice
    openings: Openings
    which: Index

    @classmethod
    def of(cls, lattice: Lattice, name: object = "the picture") -> SampleSelection:
        """All openings of the lattice; the sample is patches of them from all over the cloth.

        Raises `NoLatticeError`, in which the picture is called `name`.
        """
        openings = Openings.of(lattice, name)
        if len(openings.row) <= ALL_UP_TO:
            return cls(lattice, openings, np.arange(len(openings.row)))
        row, column, centre, seen, vectors = openings
        # Of a million openings and more: places keep their digits, directions need but a few.
        row, column = (cast(Index, i.astype(np.int32)) for i in (row, column))
        openings = Openings(row, column, centre, seen, cast(Float, vectors.astype(np.float32)))
        grid = np.full(lattice.seen.shape, -1, np.int32)
        grid[row, column] = np.arange(len(row))
        reach, middles = _middles(lattice.seen)
        step = np.arange(-reach, reach + 1)
        blocks = [grid[np.ix_(r + step, c + step)].ravel() for r, c in middles]
        r, c = middles[np.hypot(*(middles - middles.mean(axis=0)).T).argmin()]
        blocks.append(grid[max(0, r - _WIDE) : r + _WIDE + 1, max(0, c - _WIDE) : c + _WIDE + 1])
        which = np.unique(np.concatenate([b.ravel() for b in blocks]))
        # The lattice's own places, a second copy, are not needed any more.
        lattice = replace(lattice, centre=np.empty((0, 0, 2)))
        return cls(lattice, openings, which[which >= 0])

    def sample(self) -> SampleSelection:
        """The sample alone, with all of its openings selected."""
        some = self.openings.take(self.which)
        some = some._replace(vectors=some.vectors.astype(float))
        return SampleSelection(self.lattice.bare(), some, np.arange(len(self.which)))


def _shown(light: ScanLight, centre: Float) -> Float32:
    """The part (h, w) of a small scan that shows the cloth at `centre` (n, 2), or rows of it."""
    height, width = light.shape
    if height * width <= _ALL_PIXELS:
        ends = np.clip([centre.min(axis=0), centre.max(axis=0)], 0, (width - 1, height - 1))
        (left, top), (right, bottom) = ends.astype(int)
        return light.rows(top, bottom + 1)[:, left : right + 1]
    upper, lower = np.percentile(centre[:, 1], (5, 95)).astype(int)
    rows = np.linspace(upper, lower, _ROWS).astype(int)
    first, last = np.percentile(centre[:, 0], (5, 95)).astype(int)
    # A row away from the middle of a round cloth is shorter: its middle half is certainly cloth.
    quarter = (last - first) // 4
    return np.concatenate([light.rows(r, r + 1)[:, first + quarter : last - quarter] for r in rows])


def _middles(seen: Bool) -> tuple[int, Index]:
    """How far patches reach, and rows and columns (k, 2) of their middles all over the cloth.

    In a patch every opening is seen.
    """
    for reach in _REACHES:
        row, column = np.nonzero(opencv.within(seen, reach))
        if len(row) >= _ACROSS:
            break
    parts = (np.arange(_ACROSS) + 0.5) / _ACROSS
    middles = set()
    for a in row.min() + parts * np.ptp(row):
        for b in column.min() + parts * np.ptp(column):
            away = np.hypot(row - a, column - b)
            nearest = int(away.argmin())
            if away[nearest] <= max(np.ptp(row), np.ptp(column)) / (2 * _ACROSS) + 1:
                middles.add((int(row[nearest]), int(column[nearest])))
    return reach, np.array(sorted(middles), np.intp)


_AT_ONCE = 4000  # openings measured in full in one task
_FAR_AT_ONCE = 200_000  # wires whose far edges are looked up together
_MANY = 1_000_000  # openings from which the helper's memory is worth more than its help
_MATCHING = 0.7  # share of the time that the matched filter takes
_ALIKE = 0.01  # px that filter and full fits may differ by beside the noise
_FAR_OUT = 4.5  # robust standard deviations from which a width is measured in full
_NEAR_RANGE = 3  # noises below the upper end of the sensor's range from which clipping matters


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """A large scan ready for measuring; `sample` is `field` with the openings `which` only."""

    light: ScanLight
    field: PreparedField
    sample: PreparedField
    which: Index


def prepare_scan(light: ScanLight, selection: SampleSelection) -> PreparedScan:
    """Prepare the sample, and with what it shows all openings. Raises `NoLatticeError`."""
    some = selection.sample().openings
    clip = find_sensor_range(_shown(light, some.centre))
    name = light.source.path.name
    sample = prepare_openings(light, selection.lattice, some, clip, name)
    if len(selection.which) == len(selection.openings.row):
        return PreparedScan(light, sample, sample, selection.which)
    row, column, centre, seen, vectors = selection.openings
    if sample.sides is not None:
        vectors = aligned_to_sides(vectors, sample.sides).astype(vectors.dtype)
    field = replace(sample, row=row, column=column, centre=centre, seen=seen, vectors=vectors)
    return PreparedScan(light, field, sample, selection.which)


def sample_evidence(
    source: ScanSource, encoding: str, bright: bool, sample: PreparedField
) -> EncodingEvidence:
    """What the edges of a sample, sent without its pixels, show of an encoding."""
    light = ScanLight(source, encoding, bright)
    clip = sample.clip and find_sensor_range(_shown(light, sample.centre))
    return encoding_evidence(replace(sample, light=light, clip=clip), stored_by(encoding))


def measure_scan(
    scan: PreparedScan, work: SharedWork, progress: Progress = lambda _: None
) -> Field:
    """Measure every opening of the cloth; `progress` receives the share done."""
    field, count = scan.field, len(scan.field.row)
    task = (scan.light.encoding, scan.light.bright, scan.sample.without_pixels())
    axes = work.map(_measured, [(*task, axis) for axis in (0, 1)])
    sample = (axes[0], axes[1])
    if len(scan.which) == count:
        work.close()
        return field_of(field, sample)
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
    return field_of(field, (done[0], done[1]), doubt)


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
    source: ScanSource, encoding: str, bright: bool, field: PreparedField, axis: int
) -> Axis:
    """One direction of a field sent without its pixels, measured in full."""
    return replace(field, light=ScanLight(source, encoding, bright)).measured(axis)[1]


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
