"""The edges of lines and squares, by the same fit that measures apertures.

A square line grid is a cloth of flat wires, and a chequerboard's bright squares have edges like
openings. Measured with the same edge spread function in the same linear light, a line of known
width shows what that fit adds to every opening.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sieve_inspect.arrays import Float, Float32
from sieve_inspect.edges.direction import Axis, measure_axis
from sieve_inspect.edges.initial import estimate_initial, find_sensor_range
from sieve_inspect.scale.artefact.errors import NoMarksError
from sieve_inspect.scale.artefact.nodes import Nodes
from sieve_inspect.scale.edge_bias import Gaps
from sieve_inspect.scale.marks import Observations

# Scatter of the gaps' widths from line to line, of the pitch. Drawn grids of 10 to 76 px pitch,
# some with 4 % of distortion: up to 0.0009; a photographed grid: 0.0005; drawn cloths of 45 um
# to 2 mm: 0.0038 to 0.0145.
_CLOTH = 0.0018
_FEWEST_LINES = 6  # below it a smooth trend leaves nothing to judge by
_OUTLIER = 5.0  # of the robust scatter: dust
_FEWEST_GAPS = 5  # along a line, so that their mean is that line's


def observe_grid(light: Float32, nodes: Nodes) -> tuple[Observations, Gaps]:
    """Edges of a square line grid whose gaps are `nodes`, and how wide they are."""
    raised = light if nodes.bright else light.max() - light
    index = nodes.index.astype(float)
    observed = _both_ways(raised, index, nodes.place, nodes.vectors, nodes.bright)
    if line_scatter(*observed) > _CLOTH * nodes.pitch:
        raise NoMarksError(
            "its lines lie as unevenly as the wires of woven cloth, and a cloth is no artefact"
        )
    return observed


def line_scatter(marks: Observations, gaps: Gaps) -> float:
    """Standard deviation of the mean width of the gaps between two lines, px; the larger direction.

    A smooth trend over the picture, as distortion gives, is taken off, and so is what the scatter
    along the lines (noise) leaves in the means. Woven wires lie unevenly, drawn lines do not. 0
    where there are too few lines to tell.
    """
    widths = np.hypot(*(gaps.after - gaps.before).T)
    scatter = [0.0]
    for direction in (0, 1):
        here = marks.axis == direction
        index, rest = marks.index[here], widths[here]
        rest = rest - _smooth_trend(index, rest)
        spread = 1.4826 * float(np.median(np.abs(rest))) if len(rest) else 0.0
        kept = np.abs(rest) <= _OUTLIER * spread
        line = np.rint(index[kept, direction] - 0.5).astype(int)
        rest = rest[kept]
        groups = [rest[line == number] for number in np.unique(line)]
        groups = [group for group in groups if len(group) >= _FEWEST_GAPS]
        if len(groups) < _FEWEST_LINES:
            continue
        of_noise = np.mean([group.var(ddof=1) / len(group) for group in groups])
        between = np.var([group.mean() for group in groups]) - of_noise
        scatter.append(float(np.sqrt(max(0.0, between))))
    return max(scatter)


def _smooth_trend(index: Float, width: Float) -> Float:
    """A polynomial of third degree through widths (n,) over lattice indices (n, 2)."""
    if len(width) < _FEWEST_LINES * _FEWEST_GAPS:
        return np.zeros_like(width)
    scaled = (index - index.mean(axis=0)) / max(1.0, float(np.ptp(index, axis=0).max()) / 2)
    powers = [(a, b) for a in range(4) for b in range(4 - a)]
    design = np.stack([scaled[:, 0] ** a * scaled[:, 1] ** b for a, b in powers], axis=1)
    coefficient, *_ = np.linalg.lstsq(design, width, rcond=None)
    return np.asarray(design @ coefficient)


def observe_checker(light: Float32, nodes: Nodes) -> tuple[Observations, Gaps]:
    """Edges of a chequerboard whose bright squares are `nodes`, a lattice turned by 45 degrees.

    Each edge lies between a bright and a dark square and is measured as one of the bright square.
    From bright to bright along a row are two squares.
    """
    first, second = nodes.vectors[:, 0], nodes.vectors[:, 1]
    a, b = nodes.index[:, 0].astype(float), nodes.index[:, 1].astype(float)
    if np.abs(np.median((first + second)[:, 0])) > np.abs(np.median((first - second)[:, 0])):
        vectors = np.stack([first + second, second - first], axis=1)
        index = np.stack([a + b, b - a], axis=1)
    else:
        vectors = np.stack([first - second, first + second], axis=1)
        index = np.stack([a - b, a + b], axis=1)
    return _both_ways(light, index, nodes.place, vectors, True)


def _both_ways(
    light: Float32, index: Float, centre: Float, vectors: Float, bright: bool
) -> tuple[Observations, Gaps]:
    """Edges of square gaps in both directions; `vectors` (n, 2, 2) lead from gap to gap."""
    clip = find_sensor_range(light)
    lengths = np.median(np.hypot(vectors[..., 0], vectors[..., 1]), axis=0)
    rough = estimate_initial(light, centre, vectors, lengths, clip)
    if rough is None:
        raise NoMarksError("its lines have no clear edges")
    every = np.ones(len(centre), np.bool_)
    parts = []
    for direction in (0, 1):
        _, axis = measure_axis(light, centre, every, vectors, rough, clip, direction)
        opening = rough[direction].opening
        parts.append(middles_of(axis, centre, index, direction, opening, bright))
    marks, gaps = zip(*parts, strict=True)
    return Observations.joined(marks), joined_gaps(gaps)


def middles_of(
    axis: Axis, centre: Float, index: Float, direction: int, opening: float, bright: bool
) -> tuple[Observations, Gaps]:
    """Marks at the middles of fitted gaps, half a step beyond the line before, and their edges.

    An edge bias does not move the middle. `index` (n, 2) is that of the gap, `opening` px its usual
    width: gaps a fifth narrower or wider are left out.
    """
    fit = axis.fit
    with np.errstate(invalid="ignore"):
        good = np.isfinite(fit.width) & ~fit.poor & (np.abs(fit.width / opening - 1) < 0.2)
        good &= np.abs(fit.middle) < 0.3 * opening
    number = np.flatnonzero(good)
    normal = axis.normal[number]
    place = centre[number] + fit.middle[number, None] * normal
    half = 0.5 * fit.width[number, None] * normal
    across = np.full(len(number), direction)
    marks = Observations(place - half, place + half, index[number] + 0.5, across, number)
    picture = np.zeros(len(number), np.intp)
    return marks, Gaps(place - half, place + half, across, picture, bright, axis.u_response)


def joined_gaps(parts: Sequence[Gaps]) -> Gaps:
    """The gaps of all parts, in order."""
    return Gaps(
        before=np.concatenate([part.before for part in parts]),
        after=np.concatenate([part.after for part in parts]),
        across=np.concatenate([part.across for part in parts]),
        picture=np.concatenate([part.picture for part in parts]),
        bright=parts[0].bright,
        u_width_px=max(part.u_width_px for part in parts),
    )
