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


def observe_grid(light: Float32, nodes: Nodes) -> tuple[Observations, Gaps]:
    """Edges of a square line grid whose gaps are `nodes`, and how wide they are."""
    raised = light if nodes.bright else light.max() - light
    index = nodes.index.astype(float)
    return _both_ways(raised, index, nodes.place, nodes.vectors, nodes.bright)


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
