"""A whole cloth, measured: the same field as `weave.field` makes of a picture held in memory.

1. A central window tells the pitch and which is brighter; openings are found all over.
2. Patches from all over the cloth are measured in full: they tell the blur, how it varies, and,
   where single openings are too tight to show a level, the levels.
3. Matched weights measure every opening; the patches say how far these agree with the full fit,
   and what little they differ by in the mean is taken off.
4. What the weights cannot settle (foreign matter, torn wires, cut openings, whatever does not
   fit) is measured in full; and everything is where they do not agree with the full fit, or
   where the openings are brighter than the sensor can say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.bulk import Bulk, Priors, measure_bulk
from sieve_inspect.apertures.field import (
    EncodingEvidence,
    Field,
    PreparedField,
    encoding_evidence,
    field_of,
)
from sieve_inspect.apertures.neighbourhood import light_at, neighbours
from sieve_inspect.apertures.sample import SampleSelection, prepare_sample
from sieve_inspect.edges.direction import Axis, measure_with_response
from sieve_inspect.edges.fit import EdgeFit
from sieve_inspect.edges.focus import BlurMap
from sieve_inspect.edges.initial import across_of, turned
from sieve_inspect.edges.levels import Levels, level_prior
from sieve_inspect.edges.model import LevelPrior
from sieve_inspect.edges.parameters import Parameter
from sieve_inspect.edges.response import EdgeResponse
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import ScanSource, stored_by
from sieve_inspect.image.banded import BandedLight
from sieve_inspect.lattice.openings import find_openings
from sieve_inspect.lattice.search import Lattice, find_pitch, openings_are_bright
from sieve_inspect.workers.helper import Progress, SharedWork, piece

__all__ = ["PreparedScan", "find_lattice_in_bands", "measure_scan", "prepare_scan"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]

_WINDOW = 1024  # px of the picture's middle that tell the pitch
_AT_ONCE = 4000  # openings measured in full at a time
_FAR_AT_ONCE = 200_000
_MANY = 1_000_000  # openings
_MATCHING = 0.7  # share of the time that matched weights take
_ALIKE = 0.01  # px that matched weights and full fits may differ by beside the noise


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """A cloth whose openings are known; `sample` is the view of those `which` of them."""

    sheet: BandedLight
    whole: PreparedField
    sample: PreparedField
    which: Index


def find_lattice_in_bands(
    source: ScanSource, encoding: str, crew: SharedWork, progress: Progress = lambda _: None
) -> tuple[BandedLight, Lattice]:
    """Find and index the openings of a large scan; `progress` is told the share done.

    Raises `NoLatticeError`.
    """
    height, width = source.shape
    name = source.path.name
    sheet = BandedLight(source, encoding)
    failure: NoLatticeError | None = None
    # The middle may be torn out; the cloth is round, so its quarters are cloth as well.
    for y, x in ((0.5, 0.5), (0.4, 0.3), (0.6, 0.7), (0.3, 0.6), (0.7, 0.4)):
        top = max(0, int(y * height) - _WINDOW // 2)
        left = max(0, int(x * width) - _WINDOW // 2)
        window = sheet.window(top, left, _WINDOW)
        try:
            pitch = find_pitch(window, name)
        except NoLatticeError as error:
            failure = failure or error
            continue
        sheet = replace(sheet, bright=openings_are_bright(window, pitch))
        return sheet, find_openings(sheet, pitch, crew, progress)
    assert failure is not None
    raise failure


def prepare_scan(sheet: BandedLight, known: SampleSelection) -> PreparedScan:
    """Look at openings from all over the cloth. Raises `NoLatticeError`."""
    sample = prepare_sample(sheet, known, sheet.source.path.name)
    row, column, centre, seen, vectors = known.openings
    if sample.sides is not None:
        vectors = turned(vectors, sample.sides).astype(vectors.dtype)
    whole = replace(sample, row=row, column=column, centre=centre, seen=seen, vectors=vectors)
    return PreparedScan(sheet, whole, sample, known.which)


def sample_evidence(view: PreparedScan) -> EncodingEvidence:
    """What `encoding_evidence` says of the sample."""
    return encoding_evidence(view.sample, stored_by(view.sheet.encoding))


def evidence_under(
    source: ScanSource, encoding: str, bright: bool, known: SampleSelection
) -> EncodingEvidence:
    """The same for the case that the numbers of the scan meant something else."""
    return sample_evidence(prepare_scan(BandedLight(source, encoding, bright), known))


def measure_scan(
    view: PreparedScan, crew: SharedWork, progress: Progress = lambda _: None
) -> Field:
    """Measure every opening of the cloth; `progress` is told the share done."""
    whole, count = view.whole, len(view.whole.row)
    told = (view.sheet.encoding, view.sheet.bright, _bare(view.sample))
    axes = crew.each(_measured, [(*told, axis) for axis in (0, 1)])
    sample = (axes[0], axes[1])
    priors = (_prior(view, 0, sample[0]), _prior(view, 1, sample[1]))
    matched = None
    if not any(look.saturated for look in whole.rough):
        matched = _matched(view, sample, priors, crew, piece(progress, 0, _MATCHING))
    if matched is not None:
        whole, fits, doubt = matched
    else:
        fits, doubt = [EdgeFit.blank(count), EdgeFit.blank(count)], np.ones(count, np.bool_)
    closer = np.flatnonzero(doubt)
    closer = closer[_lit(whole, fits, closer)]
    rest = piece(progress, 0 if matched is None else _MATCHING, 1)
    full = _in_full(view, whole, closer, sample, priors, crew, rest)
    blind = np.setdiff1d(np.flatnonzero(doubt), closer)
    done = []
    for k, (one, fit, found) in enumerate(zip(sample, fits, full, strict=True)):
        fit.overwrite(closer, found)
        fit.overwrite(blind, EdgeFit.blank(len(blind)))
        done.append(replace(one, fit=fit, normal=across_of(whole.vectors, k)))
    del fits, full, matched
    crew.dismiss()
    return field_of(whole, (done[0], done[1]), doubt)


def _matched(
    view: PreparedScan,
    sample: tuple[Axis, Axis],
    priors: Priors,
    crew: SharedWork,
    progress: Progress,
) -> tuple[PreparedField, list[EdgeFit], Bool] | None:
    """The cloth with its centres settled, what matched weights say in both directions, and who is
    in doubt; None where they are not as sharp as full fits."""
    whole = view.whole
    bulk = measure_bulk(view.sheet, whole.centre, whole.vectors, sample, priors, crew, progress)
    if len(whole.row) > _MANY:
        crew.dismiss()  # the little that is left is worth less than its memory
    whole, doubt = replace(whole, centre=bulk.centre), bulk.doubt | ~whole.seen
    index = neighbours(whole.row, whole.column)
    fits = [_as_fit(bulk, k, index, whole.vectors, sample[k]) for k in (0, 1)]
    del bulk, index  # of a million openings they are two hundred megabytes
    for fit, axis in zip(fits, sample, strict=True):
        if not _make_agree(fit, axis.fit, view.which):
            return None
        doubt |= ~np.isfinite(fit.width) | fit.poor | _far_out(fit.width)
        if whole.clip is not None:  # the weights know of no end to what the sensor can say
            noise = float(np.nanmedian(fit.misfit))
            doubt |= fit.floor + fit.amplitude > whole.clip.high - 3 * noise
            if np.median(axis.fit.floor) > whole.clip.low + noise:  # or else it is so all over
                doubt |= fit.floor < whole.clip.low + noise
    return whole, fits, doubt


def _lit(whole: PreparedField, fits: list[EdgeFit], which: Index) -> Bool:
    """Whether light comes through the middle of some openings; where none does, none has edges."""
    if all(np.isnan(f.width).all() for f in fits):
        return np.ones(len(which), np.bool_)
    levels = Levels.from_fits(whole.centre, whole.seen, fits).take(which)
    return light_at(whole.light, whole.centre[which]) > 0.5 * (levels.floor + levels.top)


def _far_out(width: Float) -> Bool:
    """Widths that no neighbour explains: too wide or too narrow to be taken on trust."""
    middle = np.nanmedian(width)
    spread = 1.4826 * np.nanmedian(np.abs(width - middle))
    return np.asarray(np.abs(width - middle) > 4.5 * spread)


def _as_fit(bulk: Bulk, axis: int, index: Index, vectors: Float, sample: Axis) -> EdgeFit:
    """What matched weights found, in the form of a full fit.

    The far edge of a wire is the near edge of the next opening.
    """
    first, second = bulk["first"][axis], bulk["second"][axis]
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
    level = bulk["amplitude"][axis]
    columns = (bulk["floor"][axis], level, level, level, far[0], first, second, far[1])
    return EdgeFit(
        np.stack(columns, axis=1).astype(np.float32),
        bulk["noise_factor"][axis],
        bulk["misfit"][axis],
        bulk["peak"][axis],
        np.full((len(first), 2), np.nan, np.float16),
        np.stack(seen, axis=1),
    )


def _make_agree(fit: EdgeFit, full: EdgeFit, which: Index) -> bool:
    """Take off, in place, the mean difference from full fits of the openings `which`.

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
    # A wire keeps its width: with the edge of the opening moves the wire's other edge.
    fit.parameters[:, Parameter.EDGE_BEFORE : Parameter.SECOND_EDGE] += 0.5 * off
    fit.parameters[:, Parameter.SECOND_EDGE :] -= 0.5 * off
    return rest < max(_ALIKE, noise)


def _in_full(
    view: PreparedScan,
    whole: PreparedField,
    which: Index,
    sample: tuple[Axis, Axis],
    priors: Priors,
    crew: SharedWork,
    progress: Progress,
) -> list[EdgeFit]:
    """Full fits of the openings `which` in both directions, as the sample was measured."""
    parts = np.array_split(which, max(1, -(-len(which) // _AT_ONCE)))
    tasks = []
    for axis in (0, 1):
        prior = priors[axis]
        limits = sample[axis].fit.limits
        told_of_edges = (sample[axis].response, sample[axis].stretch)
        for part in parts:
            some = _bare(whole.only(part))
            known = prior.take(part) if prior is not None else None
            told = (view.sheet.encoding, view.sheet.bright, some)
            tasks.append((*told, axis, *told_of_edges, known, limits))
    found = crew.each(_known, tasks, progress)
    half = len(parts)
    return [EdgeFit.joined(found[:half]), EdgeFit.joined(found[half:])]


def _bare(view: PreparedField) -> PreparedField:
    """The view without its light, to be sent to whoever works on it."""
    return replace(view, light=np.zeros((1, 1), np.float32), lattice=view.lattice.bare())


def _measured(
    source: ScanSource, encoding: str, bright: bool, view: PreparedField, axis: int
) -> Axis:
    """One direction of a bare view, measured in full."""
    sheet = cast(NDArray[np.float32], BandedLight(source, encoding, bright))
    return replace(view, light=sheet).measured(axis)[1]


def _known(
    source: ScanSource,
    encoding: str,
    bright: bool,
    view: PreparedField,
    axis: int,
    response: EdgeResponse,
    stretch: BlurMap | None,
    prior: LevelPrior | None,
    limits: tuple[float, float],
) -> EdgeFit:
    """One direction of a bare view whose edge response is known, in full."""
    sheet = cast(NDArray[np.float32], BandedLight(source, encoding, bright))
    places = (sheet, view.centre, view.vectors, view.rough, view.clip)
    return measure_with_response(*places, axis, response, stretch, prior, limits)[1]


def _prior(view: PreparedScan, axis: int, sample: Axis) -> LevelPrior | None:
    """What the sample tells of the levels everywhere, where single openings cannot."""
    if not view.sample.rough[axis].tight:
        return None
    good = np.flatnonzero(np.isfinite(sample.fit.width) & ~sample.fit.poor)
    noise = float(np.median(sample.fit.misfit[good]))
    return level_prior(sample.fit.take(good), view.which[good], view.whole.centre, noise)
