"""The task of measuring one picture: from its file to every aperture in it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing import current_process
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from sieve_inspect.apertures.encoding_evidence import EXAMINED, EncodingEvidence
from sieve_inspect.apertures.field import Field
from sieve_inspect.apertures.flags import Flag
from sieve_inspect.apertures.measuring import measure_scan
from sieve_inspect.apertures.sampling import (
    PreparedScan,
    SampleSelection,
    prepare_scan,
    sample_evidence,
)
from sieve_inspect.edges.initial import enough_of
from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.files import open_regular
from sieve_inspect.illumination.rim_light import rim_light
from sieve_inspect.image import (
    MAX_MEGAPIXELS,
    Assumption,
    Scan,
    ScanSource,
    assumed_encoding,
    load_scan,
    open_source,
    size_of,
)
from sieve_inspect.image.light import ScanLight, is_held
from sieve_inspect.lattice.search import find_lattice
from sieve_inspect.measurement.after_scan import smoothed_px
from sieve_inspect.measurement.grey_levels import check_grey_levels, rows_of
from sieve_inspect.measurement.picture import Picture, ScanFile
from sieve_inspect.measurement.suitability import (
    check_blur,
    check_enough,
    check_exposure,
    check_lit_from_behind,
    check_nominal,
    check_one_cloth,
    check_regular,
    check_still,
)
from sieve_inspect.scale import Scale
from sieve_inspect.summary.statistics import sample_of
from sieve_inspect.workers.cache import CacheKey
from sieve_inspect.workers.shared_work import SharedWork, progress_part

if TYPE_CHECKING:  # an artefact beside the cloth is rare, and its modules are many
    from sieve_inspect.scale.artefact.in_scan import InScan

_LOCATED = 0.35  # share of the time until all openings are located

_MISFIT_RATIO = 1.03  # ratio of misfits from which the edges settle the encoding
_ALIKE = 0.6  # of 1; above, edges lie at so few places in the pixels that they mislead …
_MISFIT_RATIO_ALIKE = 1.2  # … unless the ratio is as large as this
_EXCESS_MORE = 0.002  # by how much the other encoding's edges may stand out more …
_EXCESS_CLEAR = 0.006  # … so that the guess is beyond doubt …
_EXCESS_OF_FOCUS = 0.015  # … or at all, as where focus varies; 0.02 under a wrong encoding
_MISFIT_RATIO_JPEG = 1.5  # for a doubt about a stated encoding: JPEG bends edges too, by 1.25
_PATTERN = 4e-4  # stored numbers that edges have in common under a wrong encoding
# Stored numbers that edges have in common beside what blur explains: of 60 drawn scans, none of
# them changed afterwards, one is above 0.0023 (0.006, its apertures off by 0.03 px); sharpening
# that moved apertures by 0.2 to 0.4 px left 0.009 to 0.04.
_BENT = 0.0035
_LOOK_AGAIN = 8e-4  # the same, from which a stated encoding is compared with the other
_BENT_EDGES = (
    "the edges are bent as no blur bends them, as after sharpening, a change of contrast or "
    "turning with a program; switch such changes off and leave the picture as scanned"
)
_UNSETTLED = (
    "the file has no colour tags and was read as {}, but its edges fit the other encoding as "
    "well; give the encoding"
)
_CONTRADICTED = (
    "the scan was read as {}, as stated, but its edges fit {} better: check the encoding and the "
    "scanner's setting, and switch off sharpening and other changes of the picture"
)
_PERHAPS_NEGATIVE = (
    "the file has no colour tags and its dark openings fit no usual encoding, as in a negative; "
    "scan a positive, or give the encoding"
)


@dataclass(frozen=True, eq=False)
class Task:
    """A picture to be measured, with everything its result depends on; see `measure`."""

    path: Path
    nominal_um: float | None
    scale: Scale
    encoding: str = "auto"
    max_megapixels: float | None = None
    beside: InScan | None = None
    folder: Path | None = None  # base of a relative path, if not the working folder

    def __getstate__(self) -> dict[str, Any]:
        """For another process, whose working folder may differ."""
        return vars(self) | {"folder": self.folder or Path.cwd()}


def measure_picture(task: Task, progress: Callable[[float], None] = lambda _: None) -> Picture:
    """Measure one picture. Raises an `InputError` when it cannot carry a measurement."""
    if task.folder is None:
        return _measured(task, task.path, progress)
    path = task.folder / task.path
    try:
        picture = _measured(task, path, progress)
    except SievewardError as error:
        if error.fields.get("file") != path:
            raise
        raise type(error)(**{**error.fields, "file": task.path}) from None
    return replace(picture, scan=replace(picture.scan, path=task.path))


def _measured(task: Task, path: Path, progress: Callable[[float], None]) -> Picture:
    # A larger scan is read in bands, and may be damaged in part.
    if task.beside is None and not is_held(size_of(path) or 0):
        return picture_of(open_source(path, task.max_megapixels), task, progress)
    scan = load_scan(path, task.max_megapixels or MAX_MEGAPIXELS)
    if task.beside is not None:
        from sieve_inspect.scale.artefact.in_scan import covered_up

        scan = replace(scan, raw=covered_up(scan.raw, task.beside.region))
    return picture_of(ScanSource.of(scan), task, progress)


def picture_of(
    source: ScanSource, task: Task, progress: Callable[[float], None] = lambda _: None
) -> Picture:
    """Measure an opened scan, with the settings of a task; raises as `measure_picture`."""
    few = check_grey_levels(source.path, rows_of(source))
    assumption, field, light = _openings_measured(source, task.encoding, progress)
    for box in source.lost:
        field = _cut_by((box.left, box.top, box.right, box.bottom), field)
    if task.beside is not None:
        field = _cut_by(task.beside.region, field)
    file = ScanFile(source.path, source.sha256, source.shape, source.kind, source.lost)
    return _checked(task, file, assumption, field, light, few)


def scan_of_array(array: NDArray[Any]) -> ScanSource:
    """An array (h, w) or (h, w, 3) as a scan without a file; floats from 0 to 1 become 16 bit.

    Raises `UsageError` for another shape, type or range.
    """
    pixels = np.asarray(array)
    if pixels.ndim not in (2, 3) or (pixels.ndim == 3 and pixels.shape[2] != 3) or not pixels.size:
        shape = f"`array` has the shape {pixels.shape}: give grey (h, w) or RGB (h, w, 3)."
        raise UsageError(message=shape)
    if np.issubdtype(pixels.dtype, np.floating):
        low, high = float(pixels.min()), float(pixels.max())
        if not (low >= 0 and high <= 1):
            raise UsageError(
                message=f"`array` holds {low:g} to {high:g}: divide floating point values by the "
                "largest possible one, so that they lie in 0 to 1."
            )
        pixels = np.round(pixels * np.iinfo(np.uint16).max).astype(np.uint16)
    if pixels.dtype not in (np.uint8, np.uint16):
        kind = f"`array` holds {pixels.dtype}: give unsigned 8 or 16 bit, or floating point."
        raise UsageError(message=kind)
    raw = np.ascontiguousarray(pixels)
    digest = hashlib.sha256(raw.tobytes()).hexdigest()
    return ScanSource.of(Scan(Path("array"), digest, raw, "array", None, False, False, None))


def _checked(
    task: Task,
    file: ScanFile,
    assumption: Assumption,
    field: Field,
    light: ScanLight,
    few_levels: str,
) -> Picture:
    """The picture, refused where it cannot carry a measurement; `few_levels` is a doubt."""
    path, beside = file.path, task.beside
    scale = task.scale if beside is None else beside.scale
    check_enough(path, field)
    check_regular(path, field, light)
    moved = check_still(path, field)
    samples = (sample_of(field, scale, 0), sample_of(field, scale, 1))
    signs = rim_light(field, light) if field.lattice.bright else None
    lit_rims = signs is not None and any(sign.is_clear for sign in signs)  # they bend edges too
    edges = _BENT_EDGES if assumption.bent and not lit_rims else ""
    doubts = (
        few_levels,
        assumption.doubt or edges,
        moved,
        check_exposure(field, light),
        check_lit_from_behind(light),
    )
    picture = Picture(
        file,
        assumption.encoding,
        assumption.reason,
        field,
        samples,
        covered=None if beside is None else beside.region,
        openings_bright=light.bright,
        doubts=tuple(doubt for doubt in doubts if doubt),
        signs=signs,
        smoothed_px=0.0 if file.kind == "JPEG" else smoothed_px(field, light),
        loaded=light,
    )
    measured_um = float(np.mean([np.median(s.width[s.ok]) for s in samples]))
    check_blur(path, picture, task.nominal_um or measured_um, scale)
    if task.nominal_um is not None:
        check_nominal(path, measured_um, task.nominal_um)
    return picture


def _cut_by(region: tuple[int, int, int, int], field: Field) -> Field:
    """Mark openings within 1.5 pitches of an artefact or of unreadable pixels as partial."""
    left, top, right, bottom = region
    margin = 1.5 * float(field.lattice.pitch.lengths.max())
    x, y = field.centre.T
    beside = (x > left - margin) & (x < right + margin) & (y > top - margin) & (y < bottom + margin)
    state = np.where(beside, "partial", field.state)
    flags = np.where(beside, field.flags | int(Flag.BORDER), field.flags)
    return replace(field, state=state, flags=flags)


def _openings_measured(
    source: ScanSource, encoding: str, progress: Callable[[float], None]
) -> tuple[Assumption, Field, ScanLight]:
    """Every opening of a scan, the encoding under which it was measured, and its light."""
    assumption = assumed_encoding(source, encoding)
    # A daemonic process, such as the worker of a cluster, must not start another process.
    second = False if current_process().daemon else None
    # The matrices are small: in a notebook, threads of BLAS double the time they take.
    with threadpool_limits(1, "blas"), SharedWork.of(source, second) as work:
        first = progress_part(progress, 0, _LOCATED)
        assumption, prepared = _located(source, assumption, work, first)
        field, pattern = measure_scan(prepared, work, progress_part(progress, _LOCATED, 1))
        if not assumption.guess and pattern >= _LOOK_AGAIN:
            assumption = _compared(source, assumption, prepared, work)
        return assumption, field, prepared.light


def _located(
    source: ScanSource, assumption: Assumption, work: SharedWork, progress: Callable[[float], None]
) -> tuple[Assumption, PreparedScan]:
    """Locate the openings of a scan; where nothing names the encoding, a sample settles it."""
    light, lattice = find_lattice(source, assumption.encoding, work, progress)
    check_one_cloth(source.path, lattice)
    known = SampleSelection.of(lattice, source.path.name)
    prepared = prepare_scan(light, known)
    if assumption.guess:
        assumption = _compared(source, assumption, prepared, work)
        if assumption.encoding != light.encoding:
            prepared = prepare_scan(replace(light, encoding=assumption.encoding), known)
    return assumption, prepared


def _compared(
    source: ScanSource, known: Assumption, prepared: PreparedScan, work: SharedWork
) -> Assumption:
    """A guess settled by the edges of a patch, or a known encoding with the doubt they leave."""
    bright, sample = prepared.light.bright, prepared.sample
    opening = min(estimate.opening for estimate in sample.initial)
    near = sample.take(sample.patch(enough_of(EXAMINED, opening))).without_pixels()
    tasks = [(encoding, bright, near) for encoding in (known.encoding, known.alternative)]
    here, there = work.map(sample_evidence, tasks)
    settled = _settled_by_edges(known, here, there, source.kind, bright)
    if not known.guess:
        if here.pattern < _LOOK_AGAIN:
            return known
        ratio = here.misfit / max(there.misfit, 1e-12)
        settled = _contradicted(known, settled, ratio, source.kind)
    pattern = (here if settled.encoding == known.encoding else there).pattern
    return replace(settled, bent=source.kind != "JPEG" and pattern > _BENT)


def _contradicted(known: Assumption, settled: Assumption, ratio: float, kind: str) -> Assumption:
    """A known encoding with a doubt where the edges contradict it.

    `settled` is what they say, `ratio` how much larger the misfit is under the known encoding.
    """
    enough = _MISFIT_RATIO_JPEG if kind == "JPEG" else _MISFIT_RATIO
    if settled.encoding == known.encoding or ratio < enough:
        return known
    return replace(known, doubt=_CONTRADICTED.format(known.encoding, settled.encoding))


def _settled_by_edges(
    guess: Assumption, here: EncodingEvidence, there: EncodingEvidence, kind: str, bright: bool
) -> Assumption:
    """A guess of the encoding, or its alternative if the edges fit that better.

    `here` is the evidence of the edges under the guess, `there` under its alternative.
    """
    ratio = here.misfit / max(there.misfit, 1e-12)
    packed = kind == "JPEG"  # its ringing makes edges stand out as a wrong encoding does
    alike = there.excess <= here.excess + _EXCESS_MORE
    focus = not packed and there.excess <= _EXCESS_OF_FOCUS
    common = here.pattern**2 - there.pattern**2 > _PATTERN**2
    clear = not packed and alike and common and here.pattern > 1.5 * there.pattern
    few = max(here.alike, there.alike) > _ALIKE
    enough = _MISFIT_RATIO_ALIKE if few else _MISFIT_RATIO
    if (ratio > enough and (alike or focus)) or (ratio > 1 and clear and not few):
        other, doubt = guess.alternative, "" if bright else _PERHAPS_NEGATIVE
        reason = f"no colour tags; the edge shape fits {other} better (ratio {ratio:.2f})"
        return Assumption(other, reason, doubt=doubt)
    sure = ratio < 1 / _MISFIT_RATIO
    confirmed = f"confirmed by the edge shape (ratio {1 / ratio:.2f})"
    shape = confirmed if sure else "the edge shape fits both encodings"
    clearly = there.excess > here.excess + _EXCESS_CLEAR
    doubt = _UNSETTLED.format(guess.encoding) if ratio > 1 and not (clearly or packed) else ""
    return replace(guess, reason=f"{guess.reason}; {shape}", doubt=doubt)


def cache_key(task: Task) -> CacheKey | None:
    """The key of a cached picture: the digest of its file and every setting."""
    try:
        with open_regular(task.path) as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:  # measuring it raises the error
        return None
    beside = task.beside
    settings = {
        "scan": digest,
        "nominal_um": task.nominal_um,
        "scale": task.scale.to_dict(),
        "encoding": task.encoding,
        "max_megapixels": task.max_megapixels,
        "beside": beside and [beside.scale.to_dict(), [int(edge) for edge in beside.region]],
    }
    return CacheKey(f"{digest}.kept", task.path.name, settings)


def cached_picture(picture: Picture, task: Task, key: CacheKey) -> Picture | None:
    """A cached picture for a task; None where the scan has changed since."""
    if picture.scan.sha256 != key.settings["scan"]:
        return None
    return replace(picture, scan=replace(picture.scan, path=task.path))
