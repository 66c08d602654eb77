"""Finding the openings of the cloth and numbering them by row and column.

1. The power spectrum gives the pitch; see `pitch`.
2. Openings are the local maxima of the picture smoothed to a fraction of the pitch.
3. Neighbouring maxima about a pitch apart are linked, the truest links first; following the links
   gives each opening its row and column, however much the pitch wanders on the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from sieve_inspect.arrays import Bool, Float, Float32
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import ScanSource, opencv
from sieve_inspect.image.light import Light, ScanLight
from sieve_inspect.lattice.patches import FEWEST, Linked, link
from sieve_inspect.lattice.pitch import Pitch, find_pitch, pitch_of_few
from sieve_inspect.lattice.places import with_inferred, with_notches_filled, without_misplaced
from sieve_inspect.lattice.ring import FrameRing, find_ring
from sieve_inspect.workers.shared_work import Progress, SharedWork

_TO_WIRE = (0.35, 0.5, 0.65)  # shares of the way to the next opening where its wire may lie
_SMOOTHING = 0.2  # Gaussian sigma as a share of the pitch: wires stay, noise does not
_PX_PER_PITCH = 8  # of the smoothed copy
_APART = 0.38  # of the pitch; nearer than this there is no second opening
_AROUND = 1.4  # pitches of the square from whose mean a maximum has to stand out
_PROMINENCE = 0.25  # of the usual prominence that an opening must reach …
_NOTEWORTHY = 0.1  # … the median of those above this share of the highest
_FEW = 36  # openings below which a spectrum with more than one pattern is too coarse
_ENOUGH = 2000  # openings from which the light of cloth is taken
_LIT = 0.35  # of the way from a wire's light to an opening's, also where the field is darker

CORE = 512  # rows of the copy in a band, without its margin
_MARGIN = 40  # rows; several times what smoothing and the search for maxima reach
_WINDOW = 1024  # px a side of the part of a large scan from which the pitch is taken
# Middles of the window as shares of (height, width), tried in this order: the middle may be torn
# out, but the quarters of a round cloth are cloth as well.
_PLACES = ((0.5, 0.5), (0.4, 0.3), (0.6, 0.7), (0.3, 0.6), (0.7, 0.4))


@dataclass(frozen=True, eq=False)
class Lattice:
    """Openings on a grid: `centre` (rows, columns, 2) as (x, y) px, NaN where none is known.

    `seen` (rows, columns) marks openings that show in the picture; the others of `centre` are
    inferred from their neighbours. `bright` is true where openings are brighter than wires.
    `elsewhere` is the number of openings in the next largest connected patch as a share of this
    patch, `at_odds` the share of the links between openings that lead to another row or column.
    `ring` is the frame's where the picture shows it; no opening has its middle beyond it.
    """

    pitch: Pitch
    centre: Float
    seen: Bool
    bright: bool
    elsewhere: float = 0.0
    at_odds: float = 0.0
    ring: FrameRing | None = None

    def bare(self) -> Lattice:
        """The lattice without its openings, for a receiver that has them already."""
        return replace(self, centre=self.centre[:0], seen=self.seen[:0])


def find_lattice(
    source: ScanSource, encoding: str, work: SharedWork, progress: Progress = lambda _: None
) -> tuple[ScanLight, Lattice]:
    """The light of a scan, and its openings found and numbered.

    Which maxima there are does not depend on the bands, for smoothing and maxima reach no further
    than the margin that every band brings along. `progress` receives the share done. Raises
    `NoLatticeError`.
    """
    try:
        light, pitch = _light_and_pitch(source, encoding)
        lattice = _lattice_by(light, pitch, work, progress)
    except NoLatticeError:
        by_islands = _by_islands(ScanLight(source, encoding), work, progress)
        if by_islands is None:
            raise
        return by_islands
    if lattice.seen.sum() < _FEW and lattice.pitch.rival > 0:
        return _by_islands(light, work, progress) or (light, lattice)
    return light, lattice


def _by_islands(
    light: ScanLight, work: SharedWork, progress: Progress
) -> tuple[ScanLight, Lattice] | None:
    """Light and lattice from few bright openings that stand alone; None where there are none."""
    light = replace(light, bright=True)
    pitch = pitch_of_few(light.reduced())
    if pitch is None:
        return None
    pitch = replace(pitch, vectors=pitch.vectors * light.reduction)
    return light, _lattice_by(light, pitch, work, progress)


def _lattice_by(light: ScanLight, pitch: Pitch, work: SharedWork, progress: Progress) -> Lattice:
    """The openings by their pitch, in bands of a smaller copy. Raises `NoLatticeError`."""
    factor = max(1, int(pitch.lengths.min() // _PX_PER_PITCH))
    height = light.shape[0] // factor
    band = (light.encoding, light.bright, factor, pitch.vectors / factor)
    tasks = [(*band, top, min(top + CORE, height)) for top in range(0, height, CORE)]
    parts = work.map(_peaks_of_band, tasks, progress)
    peaks, prominence = (np.concatenate(part) for part in zip(*parts, strict=True))
    peaks = peaks[prominent(prominence)]
    return lattice_of(peaks, pitch, factor, light, light.source.path.name)


def lattice_of(peaks: Float, pitch: Pitch, factor: int, light: ScanLight, name: object) -> Lattice:
    """The lattice of openings at `peaks` (n, 2) px of a copy that is `factor` times smaller.

    Raises `NoLatticeError`, in which the picture is called `name`.
    """
    linked, centre, seen = _numbered(peaks, pitch, factor, light, name)
    ring = find_ring(light, centre, seen)
    if ring is not None:
        inside = ring.depth((peaks + 0.5) * factor - 0.5) > 0
        if not inside.all():
            linked, centre, seen = _numbered(peaks[inside], pitch, factor, light, name)
        centre[~(ring.depth(centre) > 0)] = np.nan
        seen &= np.isfinite(centre[..., 0])
    centre = _without_holes(centre, seen, light, pitch.vectors)
    return Lattice(pitch, centre, seen, light.bright, linked.elsewhere, linked.at_odds, ring)


def _numbered(
    peaks: Float, pitch: Pitch, factor: int, light: Light, name: object
) -> tuple[Linked, Float, Bool]:
    """The links of the peaks, and the openings on their grid in px of the picture."""
    linked = link(peaks, pitch.vectors / factor)
    if linked.member.sum() < FEWEST:
        raise NoLatticeError(file=name, reason="no two rows of openings hang together")
    height, width = (side // factor for side in light.shape)
    centre, seen = _on_grid(peaks, linked, (height, width))
    return linked, (centre + 0.5) * factor - 0.5, seen  # the centre of a block of pixels


def _without_holes(centre: Float, seen: Bool, light: Light, vectors: Float) -> Float:
    """Places (rows, columns, 2) px without those amid a hole in the cloth: light on all sides.

    Those at its edge stay, so that the wires of the openings beside them are examined.
    """
    unseen = np.isfinite(centre[..., 0]) & ~seen
    if not unseen.any():
        return centre
    limit = np.array(light.shape[::-1]) - 1

    def around(place: Float) -> Float32:
        """Light (m, 4) half-way to the neighbours of places (m, 2)."""
        ways = [np.clip(place + 0.5 * v, 0, limit) for v in (*vectors, *-vectors)]
        column, row = np.rint(np.stack(ways, axis=1)).astype(np.intp).transpose(2, 0, 1)
        return np.asarray(light[row, column])

    some = centre[seen]
    some = some[:: max(1, len(some) // _ENOUGH)]
    column, row = np.rint(np.clip(some, 0, limit)).astype(np.intp).T
    wire, opening = np.median(around(some)), np.median(light[row, column])
    hole = unseen.copy()
    hole[unseen] = around(centre[unseen]).min(axis=1) > wire + _LIT * (opening - wire)
    out = centre.copy()
    out[opencv.within(hole, 1)] = np.nan
    return out


def smoothed(image: Float32, vectors: Float) -> Float32:
    """A picture blurred by a fraction of the pitch (`vectors` px): openings become maxima."""
    return opencv.gaussian_blur(image, _SMOOTHING * float(np.hypot(*vectors.T).mean()))


def _openings_are_bright(light: Float32, pitch: Pitch) -> bool:
    """Whether openings are brighter: they are islands, while wires are connected.

    Half a pitch from a wire crossing, along a wire, there is wire again; half a pitch from an
    opening there is wire too. So of maxima and minima, those that differ from all of their
    half-way neighbours are the openings.
    """
    factor = max(1, int(pitch.lengths.min() // _PX_PER_PITCH))
    vectors = pitch.vectors / factor
    smooth = smoothed(opencv.shrink(light, factor) if factor > 1 else light, vectors)
    likeness = []
    for sign in (1, -1):
        peaks = _peaks(sign * smooth, vectors)
        if len(peaks) < 4:
            likeness.append(np.inf)
            continue
        at = _sample(smooth, peaks)
        sides = [_sample(smooth, peaks + s * 0.5 * v) for v in vectors for s in (1, -1)]
        corners = [
            _sample(smooth, peaks + 0.5 * (s * vectors[0] + t * vectors[1]))
            for s in (1, -1)
            for t in (1, -1)
        ]
        side, corner = np.mean(sides, axis=0), np.mean(corners, axis=0)
        likeness.append(float(np.nanmedian(np.abs(side - corner) / (np.abs(side - at) + 1e-9))))
    return likeness[0] <= likeness[1]


def _sample(image: Float32, points: Float) -> Float:
    column, row = np.round(points).astype(int).T
    height, width = image.shape
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    out = np.full(len(points), np.nan)
    out[inside] = image[row[inside], column[inside]]
    return out


def _peaks(smooth: Float32, vectors: Float) -> Float:
    """Local maxima (n, 2) as (x, y), placed between pixels by a parabola in each axis.

    They must stand out from their surroundings about as much as most do: an even border is full
    of maxima, and so is noise.
    """
    places, height = peaks_with_prominence(smooth, vectors)
    return places[prominent(height)]


def prominent(height: Float) -> Bool:
    """Which peaks (n,) stand out about as much as most do."""
    if not len(height):
        return np.zeros(0, np.bool_)
    return np.asarray(height > _PROMINENCE * np.median(height[height > _NOTEWORTHY * height.max()]))


def peaks_with_prominence(smooth: Float32, vectors: Float) -> tuple[Float, Float]:
    """Local maxima (n, 2) as (x, y), and how far (n,) they stand out from their surroundings.

    About half a pitch away on all four sides there has to be a wire: where one is missing, the
    light of two openings runs together, and its maxima are where noise puts them.
    """
    pitch = float(np.hypot(*vectors.T).min())
    row, column = opencv.local_maxima(smooth, _APART * pitch)
    inner = (row > 0) & (row < smooth.shape[0] - 1) & (column > 0) & (column < smooth.shape[1] - 1)
    row, column = row[inner], column[inner]
    height = (smooth - opencv.box_mean(smooth, round(_AROUND * pitch)))[row, column]
    middle = smooth[row, column].astype(float)
    out = np.stack([column, row], axis=1).astype(float)
    for axis, (dr, dc) in enumerate(((0, 1), (1, 0))):
        before = smooth[row - dr, column - dc].astype(float)
        after = smooth[row + dr, column + dc].astype(float)
        bend = before - 2 * middle + after
        step = np.divide(0.5 * (before - after), bend, out=np.zeros_like(bend), where=bend < 0)
        out[:, axis] += np.clip(step, -0.5, 0.5)
    for vector in (*vectors, *-vectors):
        darkest = np.min([_sample(smooth, out + k * vector) for k in _TO_WIRE], axis=0)
        height = np.fmin(height, middle - darkest)  # NaN outside the picture
    return out, height


def _on_grid(peaks: Float, linked: Linked, shape: tuple[int, int]) -> tuple[Float, Bool]:
    """Linked peaks on their grid, gaps filled, with a further opening around where there is room.

    An opening at the rim that is blocked altogether shows no maximum; it must still be listed.
    """
    peaks, index = peaks[linked.member], linked.index[linked.member]
    index = index - index.min(axis=0) + 1
    rows, columns = index.max(axis=0) + 2
    total = np.zeros((rows, columns, 2))
    times = np.zeros((rows, columns))
    np.add.at(total, (index[:, 0], index[:, 1]), peaks)
    np.add.at(times, (index[:, 0], index[:, 1]), 1)
    centre = np.where(times[..., None] == 1, total / np.maximum(times, 1)[..., None], np.nan)
    centre = without_misplaced(centre)
    seen = np.isfinite(centre[..., 0])
    return with_notches_filled(_rim(with_inferred(centre), seen, shape), shape), seen


def _rim(centre: Float, seen: Bool, shape: tuple[int, int]) -> Float:
    """Add openings beside two seen in a line, where they would lie inside the picture."""
    out = centre.copy()
    lit = np.where(seen[..., None], centre, np.nan)
    for axis in (0, 1):
        for sign in (1, -1):
            near, far = (np.roll(lit, sign * k, axis=axis) for k in (1, 2))
            edge = slice(0, 2) if sign == 1 else slice(-2, None)
            for rolled in (near, far):  # values rolled round the edge are no neighbours
                rolled[(edge, slice(None)) if axis == 0 else (slice(None), edge)] = np.nan
            guess = 2 * near - far
            x, y = guess[..., 0], guess[..., 1]
            room = (x > 0) & (y > 0) & (x < shape[1] - 1) & (y < shape[0] - 1)
            new = room & ~np.isfinite(out[..., 0])
            out[new] = guess[new]
    return out


def _light_and_pitch(source: ScanSource, encoding: str) -> tuple[ScanLight, Pitch]:
    """The light of the scan with its openings bright, and its pitch, from a part of a large one."""
    light = ScanLight(source, encoding)
    failure: NoLatticeError | None = None
    for window in _windows(light):
        try:
            pitch = find_pitch(window, source.path.name)
        except NoLatticeError as error:
            failure = failure or error
            continue
        return replace(light, bright=_openings_are_bright(_middle_of(window), pitch)), pitch
    assert failure is not None
    raise failure


def _windows(light: ScanLight) -> Iterator[Float32]:
    """The scan itself if it is held, or parts of it in the order in which they are tried."""
    height, width = light.shape
    if light.is_held:
        yield light.rows(0, height)
        return
    for y, x in _PLACES:
        top = max(0, int(y * height) - _WINDOW // 2)
        left = max(0, int(x * width) - _WINDOW // 2)
        yield light.window(top, left, _WINDOW)


def _middle_of(light: Float32) -> Float32:
    """The middle (1024, 1024) of a picture, or all of a smaller one."""
    top, left = (max(0, (side - _WINDOW) // 2) for side in light.shape)
    return light[top : top + _WINDOW, left : left + _WINDOW]


def _peaks_of_band(
    source: ScanSource,
    encoding: str,
    bright: bool,
    factor: int,
    vectors: Float,
    top: int,
    bottom: int,
) -> tuple[Float, Float]:
    """Peaks (n, 2) in rows `top` to `bottom` of the small copy, and their prominence (n,)."""
    first, last = max(0, top - _MARGIN), bottom + _MARGIN
    small = ScanLight(source, encoding, bright).shrunk_rows(first * factor, last * factor, factor)
    peaks, prominence = peaks_with_prominence(smoothed(small, vectors), vectors)
    peaks[:, 1] += first
    row = np.rint(peaks[:, 1])
    own = (row >= top) & (row < bottom)
    return peaks[own], prominence[own]
