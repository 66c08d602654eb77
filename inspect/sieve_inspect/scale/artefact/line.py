"""The edges of a single straight line, dark on bright ground or bright on dark.

Its direction is that in which most pixels that differ from the ground project into the same pixel;
few may remain beside it, or there are several lines. The line is cut into pieces along its length.
Each piece is fitted like an opening of cloth without neighbours, with the same edge spread function
and the same linear light as apertures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.edges.fit import EdgeFit, fit_edges
from sieve_inspect.edges.initial import find_sensor_range
from sieve_inspect.edges.model import Parameter, SensorRange, model_of, start_parameters
from sieve_inspect.edges.profiles import Band, Profiles, gather
from sieve_inspect.edges.response import EdgeResponse, gaussian_response
from sieve_inspect.edges.shared_response import fit_response, fit_sigma
from sieve_inspect.image import opencv
from sieve_inspect.scale.artefact.errors import NoMarksError
from sieve_inspect.scale.edge_bias import Gaps

_PIECES = 80
_FEWEST = 12
_CLEAR = 8.0  # least contrast of a line to the ground, in standard deviations of the noise
_LEAST = 150  # least number of pixels of a line
_LONG = 5.0  # least length of a line in its widths …
_LONG_PX = 40.0  # … and in px
_ANOTHER = 0.5  # of its length: anything else as straight over it is a second line
_NARROWEST = 4.0  # px, least width
_SIGMAS = 5.0  # least width in sigmas of the blur, below which a line has no level of its own
_PILED = 0.4  # share of a level's pixels at the end of the range: its noise is cut off there
_HIDDEN = 0.03  # px, standard uncertainty where an end of every edge is beyond the range
_LESS = 0.6  # part of the ground used to see how far glare reaches
_FAITHFUL = 0.03  # misfit of good scans to the model, as a share of the light
_FAR = 1e4  # px, distance given to the neighbours that a line does not have


@dataclass(frozen=True, eq=False)
class LineEdges:
    """Both edges of a line, piece by piece (`gaps`), and its ends (2, 2), px."""

    gaps: Gaps
    ends: Float


@dataclass(frozen=True, eq=False)
class _Bar:
    """The line, px: a point of it, direction, start and end along it, width."""

    middle: Float
    along: Float
    reach: tuple[float, float]
    width: float
    bright: bool


def observe_line(light: Float32) -> LineEdges:
    """The single straight line in linear light (h, w). Raises `NoMarksError`."""
    bar = _find(light)
    raised = light if bar.bright else light.max() - light
    clip = _clipped(raised)
    centre, half = _pieces(bar, raised.shape)
    if len(centre) < _FEWEST:
        raise NoMarksError("too little of its line lies in the picture")
    clear = float(np.clip(0.5 * bar.width, 6.0, 40.0))
    band = Band(0.5 * bar.width + clear, half, 0.35)
    way = np.broadcast_to(bar.along, centre.shape)
    profiles = gather(raised, centre, way, band)
    fit, response, u_width = _fitted(profiles, bar, clip)
    width = float(np.nanmedian(fit.width))
    needed = max(_NARROWEST, _SIGMAS * response.sigma)
    if width < needed:
        raise NoMarksError(
            f"its line is {width:.1f} px wide under a blur of {response.sigma:.1f} px, and "
            f"{needed:.1f} px are needed to separate its edges",
        )
    with np.errstate(invalid="ignore"):
        good = np.isfinite(fit.width) & ~fit.poor & (np.abs(fit.width / width - 1) < 0.2)
    if good.sum() < max(_FEWEST, 0.5 * len(good)):
        raise NoMarksError("most of its line has no clear edges")
    across = np.array([bar.along[1], -bar.along[0]])
    place = centre[good] + fit.middle[good, None] * across
    step = 0.5 * fit.width[good, None] * across
    axis = np.full(len(place), int(abs(across[1]) > abs(across[0])))
    gaps = Gaps(
        place - step, place + step, axis, np.zeros(len(place), np.intp), bar.bright, u_width
    )
    return LineEdges(gaps, place[[0, -1]])


def _clipped(light: Float32) -> SensorRange | None:
    """The sensor's range where line or ground lies at an end of it, None where neither does."""
    clip = find_sensor_range(light)
    if clip is None:
        return None
    bright = light > (clip.low + clip.high) / 2
    piled = ((light[bright] == clip.high).mean(), (light[~bright] == clip.low).mean())
    return clip if max(piled) > _PILED else None


def _find(light: Float32) -> _Bar:
    """The line, from pixels that differ from the ground. Raises `NoMarksError` unless single."""
    soft = opencv.gaussian_blur(light, 1.0)
    off = soft - _ground(soft)
    noise = 1.4826 * float(np.median(np.abs(off))) + 1e-6
    candidates = []
    for bright in (True, False):
        up = off if bright else -off
        height = float(np.partition(up.ravel(), -_LEAST)[-_LEAST])
        y, x = np.nonzero(up > 0.5 * height)
        if height > _CLEAR * noise and len(x) < 0.5 * off.size:
            points = np.stack([x, y], axis=1).astype(float)
            most, angle = _straightest(points)
            candidates.append((most, angle, points, bright))
    if not candidates:
        raise NoMarksError("no line differs from the ground")
    _, angle, points, bright = max(candidates, key=lambda candidate: candidate[0])
    bar = _bar(points, angle, bright)
    if bar is None or np.ptp(bar.reach) < max(_LONG_PX, _LONG * bar.width):
        raise NoMarksError("it shows no long straight line")
    off_line = np.abs((points - bar.middle) @ [bar.along[1], -bar.along[0]])
    others = [points[off_line > 0.5 * bar.width + 3]]
    others += [other[2] for other in candidates if other[3] != bright]
    if max(_straightest(other)[0] for other in others) > _ANOTHER * np.ptp(bar.reach):
        raise NoMarksError("several lines lie in it")
    return bar


def _ground(soft: Float32) -> Float32:
    """The light (h, w) of the ground, a parabola through most of the pixels."""
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in soft.shape)
    step = max(1, int(np.sqrt(soft.size / 20_000)))
    few = np.meshgrid(x[::step], y[::step])
    rows = np.stack([np.ones_like(few[0]), *few, few[0] ** 2, few[0] * few[1], few[1] ** 2], -1)
    rows, value = rows.reshape(-1, 6), soft[::step, ::step].ravel()
    weight = (np.abs(value - np.median(value)) <= 3 * _spread(value - np.median(value))) * 1.0
    for _ in range(6):
        root = np.sqrt(weight)[:, None]
        level, *_ = np.linalg.lstsq(rows * root, value * root[:, 0], rcond=None)
        left = value - rows @ level
        weight = 1 / (1 + (left / (3 * _spread(left))) ** 4)
    flat, along, down, bent, skew, bowed = level.astype(np.float32)
    row = down * y + bowed * y * y
    return np.asarray(row[:, None] + flat + x * along + x * x * bent + skew * y[:, None] * x)


def _spread(values: NDArray[np.floating]) -> float:
    return 1.4826 * float(np.median(np.abs(values))) + 1e-6


def _straightest(points: Float) -> tuple[float, float]:
    """Largest number of points (n, 2) on a line 1 px wide, and its normal's angle (radians)."""
    if len(points) < 2:
        return 0.0, 0.0
    chosen = points[:: max(1, len(points) // 20_000)]
    most, best = 0.0, 0.0
    # At a slightly wrong angle a line smears over its neighbours: compare squares, not the peak.
    for steps in (np.radians(np.arange(180.0)), np.radians(np.arange(-1.0, 1.05, 0.1))):
        scores = []
        for angle in best + steps:
            across = chosen @ [np.cos(angle), np.sin(angle)]
            count = np.bincount(np.floor(across - across.min() + 0.25).astype(np.intp))
            scores.append((float((count.astype(float) ** 2).sum()), float(count.max())))
        k = int(np.argmax([score for score, _ in scores]))
        most, best = scores[k][1], float((best + steps)[k])
    return most * len(points) / len(chosen), best


def _bar(points: Float, angle: float, bright: bool) -> _Bar | None:
    """Place, direction, length and width of the line among the points (n, 2)."""
    normal = np.array([np.cos(angle), np.sin(angle)])
    for _ in range(3):
        across = points @ normal
        count = np.bincount(np.floor(across - across.min() + 0.5).astype(int))
        wide = count > 0.5 * count.max()
        peak = int(count.argmax())
        last = peak + int(np.argmin(np.append(wide[peak:], False)))
        first = peak - int(np.argmin(np.append(wide[peak::-1], False))) + 1
        low, high = first - 1.5 + across.min(), last + 0.5 + across.min()
        own = points[(across > low) & (across < high)]
        middle = own.mean(axis=0)
        turn = np.linalg.svd(own - middle, full_matrices=False)[2][0]
        normal = np.array([turn[1], -turn[0]]) * np.sign(turn[1] * normal[0] - turn[0] * normal[1])
    # Across points right or down, as for any opening.
    along = turn * (np.sign(turn[1]) if abs(turn[1]) > abs(turn[0]) else -np.sign(turn[0]))
    at = (own - middle) @ along
    # A quarter aside: pixels in a row along the line would else fall into every second place.
    count = np.bincount(np.floor(at - at.min() + 0.25).astype(int))
    width = float(np.median(count[count > 0]))
    full = np.flatnonzero(count > 0.6 * width)
    reach = (float(full[0] + at.min()), float(full[-1] + at.min()))
    if len(full) < 0.7 * (np.ptp(reach) + 1):
        return None
    return _Bar(middle, along, reach, width, bright)


def _pieces(bar: _Bar, shape: tuple[int, ...]) -> tuple[Float, float]:
    """Middles (n, 2) of pieces whose surroundings lie in the picture; half a piece's length."""
    low, high = bar.reach[0] + bar.width + 3, bar.reach[1] - bar.width - 3
    half = float(np.clip((high - low) / (2 * _PIECES), 2.0, 30.0))
    at = np.arange(low + half, high - half, 2 * half + 1)
    centre = bar.middle + at[:, None] * bar.along
    across = np.array([bar.along[1], -bar.along[0]])
    aside = 0.5 * bar.width + 8.0
    inside = np.ones(len(centre), np.bool_)
    for side in (-1, 1):
        corner = centre + side * aside * across
        inside &= ((corner >= 0) & (corner <= np.array(shape[::-1]) - 1)).all(axis=1)
    return centre[inside], half


def _fitted(
    profiles: Profiles, bar: _Bar, clip: SensorRange | None
) -> tuple[EdgeFit, EdgeResponse, float]:
    """The edges of every piece, their response, and their standard uncertainty of the width, px."""
    start = start_parameters(profiles, 2 * bar.width, bar.width)
    start[:, Parameter.EDGE_BEFORE], start[:, Parameter.EDGE_AFTER] = -_FAR, _FAR
    sound = np.flatnonzero(np.isfinite(start).all(axis=1))
    if len(sound) < _FEWEST:
        raise NoMarksError("its line has no clear edges")
    chosen = profiles.take(sound)
    sigma, guess = fit_sigma(chosen, start[sound], 6, clip)
    first = fit_edges(chosen, guess, gaussian_response(sigma), None, clip, 4)
    if clip is not None:
        clip = replace(clip, noise=max(1e-4, float(np.median(first.misfit))))
    hidden = 0.0 if clip is None else _HIDDEN
    good = ~first.poor
    response, u_shape = fit_response(
        chosen.take(np.flatnonzero(good)), guess[good], sigma, None, clip, 4, shapes=True
    )
    fit = fit_edges(profiles, start, response, None, clip, 4)
    excess = _excess(profiles.take(sound), fit.take(sound), response, clip)
    u_misfit = max(0.0, excess - _FAITHFUL) * response.sigma
    u_skirts = _skirts(profiles, fit, response, clip)
    return fit, response, float(np.sqrt(u_shape**2 + hidden**2 + u_misfit**2 + u_skirts**2))


def _skirts(
    profiles: Profiles, fit: EdgeFit, response: EdgeResponse, clip: SensorRange | None
) -> float:
    """Change of the width (px), beyond noise, when less of the ground is used.

    Glare reaches further than the response fitted to pixels near an edge.
    """
    reach = 0.5 * fit.width + _LESS * (np.abs(profiles.distance).max() - 0.5 * fit.width)
    near = profiles.within(fit.middle - reach, fit.middle + reach)
    less = fit_edges(near, fit.parameters, response, None, clip, 4)
    change = (less.width - fit.width)[~fit.poor & np.isfinite(less.width)]
    middle = float(np.median(change))
    noise = _spread(change - middle) / np.sqrt(len(change))
    # The part beyond the ground used may change it by as much again.
    return 2 * float(np.sqrt(max(0.0, middle**2 - 4 * noise**2)))


def _excess(
    profiles: Profiles, fit: EdgeFit, response: EdgeResponse, clip: SensorRange | None
) -> float:
    """Misfit at the edges beyond that in the middle of the line, as a share of its light."""
    model, _, _ = model_of(profiles, fit.parameters, response, clip)
    square = profiles.weight * (profiles.value - model) ** 2
    inside = np.abs(profiles.distance - fit.middle[:, None]) < 0.5 * fit.width[:, None] - 1.5
    used = (profiles.weight > 0) & ~fit.poor[:, None]
    if (inside & used).sum() < 50:
        return 0.0
    extra = float(np.mean(square[used & ~inside]) - np.mean(square[used & inside]))
    return float(np.sqrt(max(extra, 0.0)) / np.abs(np.median(fit.amplitude)))
