"""Finding the lattice of the cloth: its two directions, and an index for every opening.

1. The two strongest, nearly perpendicular peaks of the windowed power spectrum are the two
   wire systems (a plain weave in projection is the product of two gratings, so no harmonic and
   no diagonal is stronger than these).
2. Openings are the local maxima of the picture smoothed to a fraction of the pitch.
3. Neighbouring maxima one pitch apart are linked, the truest links first; walking the links
   gives each opening its row and column, however much the pitch wanders on the way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import opencv
from sieve_inspect.lattice.patches import FEWEST, Linked, link
from sieve_inspect.lattice.places import closed, filled, in_place

__all__ = [
    "Lattice",
    "Pitch",
    "find_lattice",
    "find_pitch",
    "openings_are_bright",
    "openings_on_grid",
    "peaks_with_prominence",
    "prominent",
    "without_holes",
]

Float = NDArray[np.float64]

_SQUARE_WITHIN = np.deg2rad(7.0)  # cloth woven up to 2 deg off square, on a stretched scan
_WINDOW = 1024
_TO_WIRE = (0.35, 0.5, 0.65)  # of the way to the next opening, wherever the wire was pushed
_ENOUGH = 2000  # openings that tell the light of cloth
_LIT = 0.35  # of the way from a wire's light to an opening's, also where the field is darker
_PERIODS = 2.3  # of the pattern that must fit into the window


@dataclass(frozen=True)
class Pitch:
    """The two lattice vectors in px, rows of `vectors` (x, y); 0 is nearest the horizontal."""

    vectors: Float
    contrast: float  # height of the weaker peak over the spectrum's floor
    rival: float = 0.0  # height of another mesh's peaks in the same picture, as a share of these

    @property
    def lengths(self) -> Float:
        """Length of both vectors, px."""
        return np.asarray(np.hypot(*self.vectors.T))

    @property
    def area(self) -> float:
        """Area of one cell of the lattice, px²."""
        return float(abs(np.linalg.det(self.vectors)))


@dataclass(frozen=True, eq=False)
class Lattice:
    """Openings on a grid: `centre` (rows, columns, 2) as (x, y) px, NaN where none is known.

    `seen` marks openings found in the picture; the others of `centre` are inferred from their
    neighbours. `bright` tells whether openings are brighter than wires.
    """

    pitch: Pitch
    centre: Float
    seen: NDArray[np.bool_]
    bright: bool
    elsewhere: float = 0.0  # openings in the next largest patch that hangs together, as a share
    at_odds: float = 0.0  # share of the links between openings that lead to another row or column

    def bare(self) -> Lattice:
        """The lattice without its openings, for who has these already."""
        return replace(self, centre=self.centre[:0], seen=self.seen[:0])


def find_pitch(light: NDArray[np.float32], name: object = "the picture") -> Pitch:
    """The two lattice vectors of a picture (h, w). Raises `NoLatticeError`."""
    best: Pitch | None = None
    factor = 1
    while min(light.shape) // factor >= 48:
        level = light if factor == 1 else opencv.shrink(light, factor)
        found = _pitch_at(level)
        if found is not None and (best is None or found.contrast > 1.5 * best.contrast):
            best = Pitch(found.vectors * factor, found.contrast, found.rival)
        if max(level.shape) <= _WINDOW:
            break
        factor *= 2
    if best is None:
        raise NoLatticeError(file=name, reason="no regular crossing pattern stands out")
    return best


def _pitch_at(light: NDArray[np.float32]) -> Pitch | None:
    height, width = (min(n, _WINDOW) for n in light.shape)
    top, left = (light.shape[0] - height) // 2, (light.shape[1] - width) // 2
    part = light[top : top + height, left : left + width]
    part = part - opencv.box_mean(part, min(height, width) // 2)
    window = np.hanning(height)[:, None] * np.hanning(width)[None, :]
    spectrum = np.abs(np.fft.rfft2(part * window.astype(np.float32)))
    power = np.fft.fftshift(spectrum, axes=0)  # rows: -1/2..1/2 cycles/px; columns: 0..1/2
    row, column = opencv.local_maxima(power.astype(np.float32), 3)
    fy = (row - height // 2) / height
    fx = column / width
    floor = float(np.median(power)) + 1e-12
    value = power[row, column]
    far = np.hypot(fx * width, fy * height) > _PERIODS
    half = (fx > 0) | (fy > 0)  # a real picture's spectrum is symmetric: one half says all
    keep = np.flatnonzero(far & half & (value > 8 * floor))
    keep = keep[np.argsort(value[keep])[::-1][:40]]
    frequency = np.stack([fx[keep], fy[keep]], axis=1)
    strongest = _best_pair(frequency, value[keep])
    if strongest is None:
        return None
    near = 2 / min(height, width)
    pair = [_fundamental(frequency, value[keep], k, near) for k in strongest]
    refined = np.stack([_refine(power, row[keep[k]], column[keep[k]]) for k in pair])
    waves = (refined - [0, height // 2]) / [width, height]
    vectors = np.linalg.inv(waves).T  # columns of the inverse are the lattice vectors
    ordered = _ordered(vectors)
    rival = _rival(frequency, value[keep], ordered) / float(np.sqrt(np.prod(value[keep[pair]])))
    return Pitch(ordered, float(value[keep[pair]].min() / floor), rival)


def _best_pair(frequency: Float, value: Float) -> tuple[int, int] | None:
    """The two peaks with the largest product that stand square to each other, alike in length."""
    if len(frequency) < 2:
        return None
    angle = np.arctan2(frequency[:, 1], frequency[:, 0])
    length = np.hypot(*frequency.T)
    between = np.abs(angle[:, None] - angle[None, :]) % np.pi
    square = np.abs(between - np.pi / 2) < _SQUARE_WITHIN
    ratio = length[:, None] / length[None, :]
    alike = (ratio < 1.3) & (ratio > 1 / 1.3)
    product = np.where(square & alike, value[:, None] * value[None, :], 0)
    i, j = np.unravel_index(int(np.argmax(product)), product.shape)
    return (int(i), int(j)) if product[i, j] > 0 else None


def _rival(frequency: Float, value: Float, vectors: Float) -> float:
    """Height of the strongest pair of peaks that belongs to no harmonic of this lattice.

    Half orders are allowed it, an uneven comb makes them.
    """
    orders = 2 * frequency @ vectors.T
    foreign = np.flatnonzero((np.abs(orders - np.rint(orders)) > 0.3).any(axis=1))
    pair = _best_pair(frequency[foreign], value[foreign])
    return float(np.sqrt(np.prod(value[foreign[list(pair)]]))) if pair else 0.0


def _fundamental(frequency: Float, value: Float, peak: int, tolerance: float) -> int:
    """The peak of which this one is a harmonic, or itself.

    With thin wires the harmonics of a grating are nearly as high as its fundamental, never
    higher; an uneven weaving comb makes a much weaker line at half the frequency.
    """
    for order in (4, 3, 2):
        off = np.minimum(
            np.hypot(*(frequency - frequency[peak] / order).T),
            np.hypot(*(frequency + frequency[peak] / order).T),
        )
        near = int(np.argmin(off))
        if off[near] < tolerance and value[near] > 0.6 * value[peak]:
            return near
    return peak


def _refine(power: Float, row: int, column: int) -> Float:
    """(column, row) of a peak from parabolas through the logarithm of its neighbours."""
    height, width = power.shape
    rows = [(row + k) % height for k in (-1, 0, 1)]
    vertical = np.log(power[rows, column] + 1e-12)
    mirrored = (2 * (height // 2) - row) % height  # left of column 0 the spectrum repeats, turned
    sides = [(row if column + k >= 0 else mirrored, abs(column + k)) for k in (-1, 0, 1)]
    horizontal = np.log([power[r, min(c, width - 1)] + 1e-12 for r, c in sides])
    return np.array([column + _vertex(horizontal), row + _vertex(vertical)])


def _vertex(three: Float) -> float:
    bend = three[0] - 2 * three[1] + three[2]
    return float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def _ordered(vectors: Float) -> Float:
    """Vector 0 nearest the horizontal and pointing right, vector 1 pointing down."""
    if abs(vectors[0, 0]) / np.hypot(*vectors[0]) < abs(vectors[1, 0]) / np.hypot(*vectors[1]):
        vectors = vectors[::-1]
    signs = np.array([np.sign(vectors[0, 0]) or 1.0, np.sign(vectors[1, 1]) or 1.0])
    return np.asarray(vectors * signs[:, None])


def find_lattice(light: NDArray[np.float32], name: object = "the picture") -> Lattice:
    """Find and index the openings of a picture (h, w) of linear light. Raises `NoLatticeError`."""
    pitch = find_pitch(light, name)
    factor, smooth, bright = _smoothed(light, pitch)
    vectors = pitch.vectors / factor
    peaks = _peaks(smooth if bright else -smooth, vectors)
    linked = link(peaks, vectors)
    if linked.member.sum() < FEWEST:
        raise NoLatticeError(file=name, reason="no two rows of openings hang together")
    centre, seen = openings_on_grid(peaks, linked, smooth.shape)
    full = (centre + 0.5) * factor - 0.5  # the centre of a block of pixels
    full = without_holes(full, seen, light if bright else -light, pitch.vectors)
    return Lattice(pitch, full, seen, bright, linked.elsewhere, linked.at_odds)


def without_holes(
    centre: Float, seen: NDArray[np.bool_], light: NDArray[np.float32], vectors: Float
) -> Float:
    """Places (rows, columns, 2) px without those amid a hole in the cloth: light on all sides.

    Those at its edge stay, for the openings beside them to be asked about their wires. `light`
    has openings bright.
    """
    unseen = np.isfinite(centre[..., 0]) & ~seen
    if not unseen.any():
        return centre
    limit = np.array(light.shape[::-1]) - 1

    def around(place: Float) -> NDArray[np.float32]:
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


def openings_are_bright(light: NDArray[np.float32], pitch: Pitch) -> bool:
    """Whether the openings of a picture (h, w) are brighter than its wires."""
    return _smoothed(light, pitch)[2]


def _smoothed(light: NDArray[np.float32], pitch: Pitch) -> tuple[int, NDArray[np.float32], bool]:
    """By how much the smoothed copy is smaller, the copy, and whether its openings are bright."""
    factor = max(1, int(pitch.lengths.min() // 12))
    small = opencv.shrink(light, factor) if factor > 1 else light
    vectors = pitch.vectors / factor
    smooth = opencv.gaussian_blur(small, 0.2 * float(np.hypot(*vectors.T).mean()))
    return factor, smooth, _openings_are_bright(smooth, vectors)


def _openings_are_bright(smooth: NDArray[np.float32], vectors: Float) -> bool:
    """Openings are islands and wires hang together, whichever of them is the brighter.

    Half a pitch from a wire crossing, along a wire, there is wire again; half a pitch from an
    opening there is wire too. So of the two kinds of extremum the one unlike both of its
    half-way neighbours is the opening.
    """
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


def _sample(image: NDArray[np.float32], points: Float) -> Float:
    column, row = np.round(points).astype(int).T
    height, width = image.shape
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    out = np.full(len(points), np.nan)
    out[inside] = image[row[inside], column[inside]]
    return out


def _peaks(smooth: NDArray[np.float32], vectors: Float) -> Float:
    """Local maxima (n, 2) as (x, y), placed between pixels by a parabola in each axis.

    They must stand out of what is around them about as much as most do: an even border is all
    maxima, and so is noise.
    """
    places, height = peaks_with_prominence(smooth, vectors)
    return places[prominent(height)]


def prominent(height: Float) -> NDArray[np.bool_]:
    """Which peaks (n,) stand out about as much as most do."""
    if not len(height):
        return np.zeros(0, np.bool_)
    return np.asarray(height > 0.25 * np.median(height[height > 0.1 * height.max()]))


def peaks_with_prominence(smooth: NDArray[np.float32], vectors: Float) -> tuple[Float, Float]:
    """Local maxima (n, 2) as (x, y), and how far they stand out of what is around them.

    About half a pitch away on all four sides there has to be a wire: where one is missing, the
    light of two openings runs together, and its maxima are where noise puts them.
    """
    pitch = float(np.hypot(*vectors.T).min())
    row, column = opencv.local_maxima(smooth, 0.38 * pitch)
    inner = (row > 0) & (row < smooth.shape[0] - 1) & (column > 0) & (column < smooth.shape[1] - 1)
    row, column = row[inner], column[inner]
    height = (smooth - opencv.box_mean(smooth, round(1.4 * pitch)))[row, column]
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


def openings_on_grid(
    peaks: Float, linked: Linked, shape: tuple[int, ...]
) -> tuple[Float, NDArray[np.bool_]]:
    """Linked peaks laid on their grid, gaps filled, one more opening around where there is room.

    An opening at the rim that is wholly blocked shows no maximum; it must not go unmissed.
    """
    peaks, index = peaks[linked.member], linked.index[linked.member]
    index = index - index.min(axis=0) + 1
    rows, columns = index.max(axis=0) + 2
    total = np.zeros((rows, columns, 2))
    times = np.zeros((rows, columns))
    np.add.at(total, (index[:, 0], index[:, 1]), peaks)
    np.add.at(times, (index[:, 0], index[:, 1]), 1)
    centre = np.where(times[..., None] == 1, total / np.maximum(times, 1)[..., None], np.nan)
    centre = in_place(centre)
    seen = np.isfinite(centre[..., 0])
    return closed(_rim(filled(centre), seen, shape), shape), seen


def _rim(centre: Float, seen: NDArray[np.bool_], shape: tuple[int, ...]) -> Float:
    """Add openings beside two seen ones in a line, where they would lie inside the picture."""
    out = centre.copy()
    lit = np.where(seen[..., None], centre, np.nan)
    for axis in (0, 1):
        for sign in (1, -1):
            near, far = (np.roll(lit, sign * k, axis=axis) for k in (1, 2))
            edge = slice(0, 2) if sign == 1 else slice(-2, None)
            for rolled in (near, far):  # what came round the edge is no neighbour
                rolled[(edge, slice(None)) if axis == 0 else (slice(None), edge)] = np.nan
            guess = 2 * near - far
            x, y = guess[..., 0], guess[..., 1]
            room = (x > 0) & (y > 0) & (x < shape[1] - 1) & (y < shape[0] - 1)
            new = room & ~np.isfinite(out[..., 0])
            out[new] = guess[new]
    return out
