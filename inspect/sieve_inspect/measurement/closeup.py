"""A close-up of one opening: the pixels across it, the fitted model, the widths.

Nothing is measured again: the pixels are gathered as for measuring, and the model drawn through
them is that whose edges gave the recorded widths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import flag_names
from sieve_inspect.edges.model import EDGES, Parameter, model_of
from sieve_inspect.edges.profiles import Band, Crossing, Profiles, gather
from sieve_inspect.image import opencv
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale
from sieve_inspect.summary.statistics import EDGE_MODEL_PX

Float = NDArray[np.float64]
UInt8 = NDArray[np.uint8]

_STEP = 0.35  # px, bins as fine as those measured with
_CURVE = 200  # points of the fitted curve
_AROUND = 1.9  # of the pitch, how much of the picture a cut-out shows


@dataclass(frozen=True, eq=False)
class Across:
    """An opening across one direction ("x" or "y").

    `distance` (m,) px across the wires from the opening's middle, `light` (m,) linear; `model_at`
    and `model` (k,) are the fitted curve, empty where nothing could be fitted. `edges` are where
    the opening's two edges lie, px; `width_um` with its expanded uncertainty `expanded_um`
    (k = 2), `wires_um` the wires before and after. None is what was not measured.
    """

    direction: str
    distance: Float
    light: Float
    model_at: Float
    model: Float
    edges: tuple[float, float] | None
    width_px: float | None
    width_um: float | None
    expanded_um: float | None
    wires_um: tuple[float | None, float | None]


@dataclass(frozen=True)
class CutOut:
    """A part of a scan as a PNG of `width` by `height` px.

    A point (x, y) of the scan is at ((x + 0.5 - left) * factor, (y + 0.5 - top) * factor) in it.
    """

    png: bytes
    width: int
    height: int
    left: float
    top: float
    factor: float


@dataclass(frozen=True, eq=False)
class Closeup:
    """One opening: its index in the field, lattice place, middle (x, y) in px, state, flags."""

    index: int
    row: int
    column: int
    middle: tuple[float, float]
    state: str
    flags: tuple[str, ...]
    across: tuple[Across, Across]


def closeup(picture: Picture, scale: Scale, index: int, names: str = "xy") -> Closeup:
    """Opening `index` (0 … n - 1 in `picture.field`) with profile and fit in both directions.

    `names` are those of the picture's x and y, "yx" where the label lay so. Raises `IndexError` for
    an index the field lacks.
    """
    field = picture.field
    if not 0 <= index < len(field.row):
        raise IndexError(index)
    x, y = field.centre[index]
    flags = flag_names(int(field.flags[index]))
    first, second = (
        replace(_across(picture, scale, index, axis), direction=name)
        for axis, name in enumerate(names)
    )
    return Closeup(
        index=index,
        row=int(field.row[index]),
        column=int(field.column[index]),
        middle=(float(x), float(y)),
        state=str(field.state[index]),
        flags=tuple(flags.split("+")) if flags else (),
        across=(first, second) if first.direction == "x" else (second, first),
    )


def _across(picture: Picture, scale: Scale, index: int, axis: int) -> Across:
    field, sample = picture.field, picture.samples[axis]
    this, other = field.axes[axis], field.axes[1 - axis]
    opening, wire = _median_size(picture, axis)
    crossing_opening, crossing_wire = _median_size(picture, 1 - axis)
    beyond = min(2.5 * this.response.sigma, 0.35 * opening) + 0.5
    band = Band(0.5 * opening + wire + beyond, 0.25 * crossing_opening, _STEP)
    pitch = crossing_opening + crossing_wire
    crossing = Crossing(crossing_opening, pitch, other.response.sigma)
    normal = this.normal[index]
    along = np.array([[-normal[1], normal[0]]])
    centre = field.centre[index : index + 1]
    light = picture.pixels
    profiles = gather(light, centre, along, band, crossing, opening)
    parameters = this.fit.parameters[index : index + 1].copy()
    parameters[:, EDGES] -= _offset(picture, index) @ normal  # fitted from the lattice's place
    filled = profiles.weight[0] > 0
    fitted = bool(np.isfinite(parameters).all())
    distance, value, gain = (
        values[0][filled] for values in (profiles.distance, profiles.value, profiles.gain)
    )
    at = np.linspace(distance[0], distance[-1], _CURVE) if fitted else np.empty(0)
    curve = Profiles(
        at[None], at[None], np.interp(at, distance, gain)[None], at[None], _STEP, opening
    )
    model = model_of(curve, parameters, this.response)[0][0] if fitted else at
    first = float(parameters[0, Parameter.FIRST_EDGE])
    second = float(parameters[0, Parameter.SECOND_EDGE])
    before, after = (_known(width) for width in sample.wires[index])
    return Across(
        direction="xy"[axis],
        distance=distance,
        light=value,
        model_at=at,
        model=np.minimum(model, light.max()),  # a saturated sensor shows no more
        edges=(first, second) if fitted else None,
        width_px=second - first if fitted else None,
        width_um=_known(sample.width[index]),
        expanded_um=_known(2 * _standard_u(picture, scale, index, axis)),
        wires_um=(before, after),
    )


def _standard_u(picture: Picture, scale: Scale, index: int, axis: int) -> float:
    """Standard uncertainty of one width, um: the common lines and the noise of its pixels."""
    sample = picture.samples[axis]
    px = float(sample.um_per_px[index])
    return math.hypot(
        scale.u_rel_in_use(axis) * float(sample.width[index]),
        sample.u_response,
        EDGE_MODEL_PX * px,
        2 * scale.u_edge_bias_in_use_px * px,
        float(sample.noise[index]),
    )


def _median_size(picture: Picture, axis: int) -> tuple[float, float]:
    """The median opening and wire across a direction, px."""
    fit, ok = picture.field.axes[axis].fit, picture.field.ok
    return float(np.median(fit.width[ok])), float(np.nanmedian(fit.wires[ok]))


def _offset(picture: Picture, index: int) -> Float:
    """The offset (x, y), px, of an opening's middle from where its profile was taken."""
    field = picture.field
    if not field.ok[index]:
        return np.zeros(2)
    return np.asarray(sum(a.fit.middle[index] * a.normal[index] for a in field.axes))


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


@dataclass(frozen=True)
class Tone:
    """Converts linear light to greys: from `low` as black to `high` as white."""

    low: float
    high: float

    def __call__(self, light: NDArray[np.float32]) -> UInt8:
        """Greys (h, w) of light (h, w)."""
        level = np.clip((light - self.low) / max(self.high - self.low, 1e-6), 0, 1)
        return np.asarray(255 * level ** (1 / 2.2), np.uint8)


def tone_of(light: NDArray[np.float32]) -> Tone:
    """Greys from the dark to the bright of a picture (h, w), without stray pixels."""
    low, high = np.percentile(light[::4, ::4], (0.5, 99.5))
    return Tone(float(low), float(high))


def part_of(picture: Picture, left: int, top: int, right: int, bottom: int) -> NDArray[np.float32]:
    """A rectangle of the scan at full resolution, in linear light, cut off at the borders."""
    left, top = max(0, left), max(0, top)
    return np.ascontiguousarray(picture.shown.rows(top, bottom)[:, left:right])


def cut_out(picture: Picture, tone: Tone, index: int, side: int) -> CutOut:
    """An opening with its neighbours, at most `side` px wide and high."""
    reach = _AROUND * max(sum(_median_size(picture, axis)) for axis in (0, 1))
    x, y = picture.field.centre[index]
    left, top = max(0, math.floor(x - reach)), max(0, math.floor(y - reach))
    part = part_of(picture, left, top, math.ceil(x + reach) + 1, math.ceil(y + reach) + 1)
    factor = side / max(part.shape)
    drawn = opencv.resize(tone(part), factor)
    height, width = drawn.shape
    return CutOut(opencv.encode_png(drawn), width, height, float(left), float(top), factor)
