"""The pitch of the cloth: its two lattice vectors, from the power spectrum.

The two strongest, nearly perpendicular peaks of the windowed power spectrum are the two wire
systems: a plain weave in projection is the product of two gratings, so no harmonic and no
diagonal is stronger than these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.errors import NoLatticeError
from sieve_inspect.image import opencv

_CROSSING = 0.2  # sine of the angle between two directions, at least
_SQUARE_WITHIN = np.deg2rad(7.0)  # cloth woven up to 2 deg off square, on a stretched scan
_ALIKE = 1.3  # ratio of the two wave lengths that cloth of square openings does not exceed
_WINDOW = 1024  # px of the picture's middle that are transformed
_SMALLEST = 48  # px a side of the smallest pyramid level that is transformed
_PERIODS = 2.3  # of the pattern that must fit into the window
_ABOVE_FLOOR = 8  # times the spectrum's median that a peak must reach
_PEAKS = 40  # peaks examined, the highest
_COARSER = 1.5  # times the contrast of the finer levels that a coarser pyramid level must reach
# A fundamental is at least this share of its harmonic's height; the half-order line of an uneven
# weaving comb stays far below.
_FUNDAMENTAL = 0.6
# Of few openings, on a copy of at most so many px a side:
_FEW_SIDE = 600
_FEWEST_ISLANDS, _MOST_ISLANDS = 4, 200
_FILLS = 0.45  # of its bounding box: a square at 45 degrees fills half, a bright ring less
_ISLANDS_ALIKE = 0.85  # of the largest side: openings vary by a few percent, cut ones by more
_FOREIGN = 0.3  # orders by which a peak of another mesh misses every order of this one


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


def find_pitch(light: Float32, name: object = "the picture") -> Pitch:
    """The two lattice vectors of linear light (h, w), from the levels of an image pyramid.

    Raises `NoLatticeError`, in which the picture is called `name`.
    """
    best: Pitch | None = None
    factor = 1
    while min(light.shape) // factor >= _SMALLEST:
        level = light if factor == 1 else opencv.shrink(light, factor)
        pitch = _pitch_at(level)
        if pitch is not None and (best is None or pitch.contrast > _COARSER * best.contrast):
            best = Pitch(pitch.vectors * factor, pitch.contrast, pitch.rival)
        if max(level.shape) <= _WINDOW:
            break
        factor *= 2
    if best is None:
        raise NoLatticeError(file=name, reason="no regular crossing pattern stands out")
    return best


def pitch_of_few(light: Float32) -> Pitch | None:
    """The lattice vectors from single bright openings of linear light (h, w), where they are few.

    A spectrum of three periods is too coarse for them. Openings are bright islands of about one
    size that are about square and do not touch the border. None without four of them.
    """
    from scipy import ndimage

    factor = max(1, max(light.shape) // _FEW_SIDE)
    small = opencv.shrink(light, factor) if factor > 1 else light
    low, high = np.percentile(small, (2, 98))
    label, count = ndimage.label(small > 0.5 * (low + high))
    if not _FEWEST_ISLANDS <= count <= _MOST_ISLANDS:
        return None
    boxes = ndimage.find_objects(label)
    side = np.array([[s.stop - s.start for s in box] for box in boxes], float)
    first = np.array([[s.start for s in box] for box in boxes])
    last = np.array([[s.stop for s in box] for box in boxes])
    inner = (first > 0).all(axis=1) & (last < small.shape).all(axis=1)
    area = np.bincount(label.ravel(), minlength=count + 1)[1:]
    size = np.sqrt(area)
    square = inner & (np.abs(np.log(side[:, 0] / side[:, 1])) < np.log(_ALIKE))
    square &= area > _FILLS * side.prod(axis=1)
    if not square.any():
        return None
    alike = np.flatnonzero(square & (size > _ISLANDS_ALIKE * size[square].max()))
    if len(alike) < _FEWEST_ISLANDS:
        return None
    middle = np.array(ndimage.center_of_mass(label > 0, label, alike + 1))[:, ::-1]
    way = middle[None] - middle[:, None]
    length = np.hypot(*way.transpose(2, 0, 1))
    np.fill_diagonal(length, np.inf)
    near = way[length < _ALIKE * length.min()]
    vectors = []
    for axis in (0, 1):
        along = near[(near[:, axis] > 0) & (near[:, axis] >= np.abs(near[:, 1 - axis]))]
        if not len(along):
            return None
        vectors.append(np.median(along, axis=0) * factor)
    return Pitch(np.array(vectors), np.inf)


def _pitch_at(light: Float32) -> Pitch | None:
    height, width = (min(n, _WINDOW) for n in light.shape)
    top, left = (light.shape[0] - height) // 2, (light.shape[1] - width) // 2
    part = light[top : top + height, left : left + width]
    part = part - opencv.box_mean(part, min(height, width) // 2)
    part *= np.hanning(height)[:, None].astype(np.float32)
    part *= np.hanning(width).astype(np.float32)
    # Rows: -1/2..1/2 cycles/px; columns: 0..1/2.
    power = np.fft.fftshift(opencv.amplitudes(part), axes=0)
    row, column = opencv.local_maxima(power, 3)
    fy = (row - height // 2) / height
    fx = column / width
    floor = float(np.median(power[::2, ::2])) + 1e-12
    value = power[row, column].astype(float)
    far = np.hypot(fx * width, fy * height) > _PERIODS
    half = (fx > 0) | (fy > 0)  # the other half repeats it: a real picture's spectrum is symmetric
    keep = np.flatnonzero(far & half & (value > _ABOVE_FLOOR * floor))
    keep = keep[np.argsort(value[keep])[::-1][:_PEAKS]]
    frequency = np.stack([fx[keep], fy[keep]], axis=1)
    strongest = _best_pair(frequency, value[keep])
    if strongest is None:
        return None
    near = 2 / min(height, width)
    pair = [_fundamental(frequency, value[keep], k, near) for k in strongest]
    refined = np.array([_refine(power, row[keep[k]], column[keep[k]]) for k in pair], float)
    waves = (refined - [0, height // 2]) / [width, height]
    if abs(np.linalg.det(waves)) < _CROSSING * float(np.prod(np.hypot(*waves.T))):
        return None  # both peaks belong to one direction, as in a narrow picture
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
    alike = (ratio < _ALIKE) & (ratio > 1 / _ALIKE)
    product = np.where(square & alike, value[:, None] * value[None, :], 0)
    i, j = np.unravel_index(int(np.argmax(product)), product.shape)
    return (int(i), int(j)) if product[i, j] > 0 else None


def _rival(frequency: Float, value: Float, vectors: Float) -> float:
    """Height of the strongest pair of peaks that belongs to no harmonic of this lattice.

    Half orders count as its own, for an uneven comb makes them.
    """
    orders = 2 * frequency @ vectors.T
    foreign = np.flatnonzero((np.abs(orders - np.rint(orders)) > _FOREIGN).any(axis=1))
    pair = _best_pair(frequency[foreign], value[foreign])
    return float(np.sqrt(np.prod(value[foreign[list(pair)]]))) if pair else 0.0


def _fundamental(frequency: Float, value: Float, peak: int, tolerance: float) -> int:
    """The peak of which `peak` is a harmonic, or itself.

    With thin wires the harmonics of a grating are nearly as high as its fundamental, never
    higher; an uneven weaving comb makes a much weaker line at half the frequency.
    """
    for order in (4, 3, 2):
        off = np.minimum(
            np.hypot(*(frequency - frequency[peak] / order).T),
            np.hypot(*(frequency + frequency[peak] / order).T),
        )
        near = int(np.argmin(off))
        if off[near] < tolerance and value[near] > _FUNDAMENTAL * value[peak]:
            return near
    return peak


def _refine(power: Float32, row: int, column: int) -> Float:
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
