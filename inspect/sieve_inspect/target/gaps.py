"""The edges of lines and squares, found between them: the very fit that measures apertures.

A square line grid is a cloth of flat wires, and a chequerboard's bright squares have edges as
openings do. Measured by the same edge response in the same linear light, a line of known width
tells what that fit adds to every opening.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.scale.fit import Observations
from sieve_inspect.target.errors import NoTargetError
from sieve_inspect.target.nodes import Nodes
from sieve_inspect.weave.direction import Axis, measure_axis, rough_look, sensor_range

__all__ = ["edges_of", "observe_checker", "observe_grid"]

Float = NDArray[np.float64]


def observe_grid(
    light: NDArray[np.float32], nodes: Nodes, name: object
) -> tuple[Observations, float]:
    """Edges of a square line grid whose gaps are `nodes`; also u of all widths, px."""
    seen = light if nodes.bright else light.max() - light
    return _both_ways(seen, nodes.index.astype(float), nodes.place, nodes.vectors, name, "grid")


def observe_checker(
    light: NDArray[np.float32], nodes: Nodes, name: object
) -> tuple[Observations, float]:
    """Edges of a chequerboard whose bright squares are `nodes`, a lattice turned by 45 degrees.

    Each edge lies between a bright and a dark square: all of them are seen from the bright.
    From bright to bright in a row it is two squares.
    """
    first, second = nodes.vectors[:, 0], nodes.vectors[:, 1]
    a, b = nodes.index[:, 0].astype(float), nodes.index[:, 1].astype(float)
    if np.abs(np.median((first + second)[:, 0])) > np.abs(np.median((first - second)[:, 0])):
        vectors = np.stack([first + second, second - first], axis=1)
        index = np.stack([a + b, b - a], axis=1)
    else:
        vectors = np.stack([first - second, first + second], axis=1)
        index = np.stack([a - b, a + b], axis=1)
    return _both_ways(light, index, nodes.place, vectors, name, "checker")


def _both_ways(
    light: NDArray[np.float32],
    index: Float,
    centre: Float,
    vectors: Float,
    name: object,
    pattern: str,
) -> tuple[Observations, float]:
    """Edges of square gaps in both directions; `vectors` (n, 2, 2) lead from gap to gap."""
    clip = sensor_range(light)
    lengths = np.median(np.hypot(vectors[..., 0], vectors[..., 1]), axis=0)
    rough = rough_look(light, centre, vectors, lengths, clip)
    if rough is None:
        reason = "its lines have no edges that stand out"
        raise NoTargetError(pattern=pattern, file=name, reason=reason)
    parts, u_width = [], 0.0
    seen = np.ones(len(centre), np.bool_)
    for direction in (0, 1):
        _, axis = measure_axis(light, centre, seen, vectors, rough, clip, direction)
        step = np.hypot(vectors[:, direction, 0], vectors[:, direction, 1])
        step = step / (2 if pattern == "checker" else 1)
        parts.append(edges_of(axis, centre, index, direction, step, rough[direction].opening))
        u_width = max(u_width, axis.u_response)
    return Observations.joined(parts), u_width


def edges_of(
    axis: Axis, centre: Float, index: Float, direction: int, step: Float, opening: float
) -> Observations:
    """Two equations for each gap that fits: its edge before, of line k, and after, of line k + 1.

    `index` (n, 2) is k of the gap, `opening` px its ordinary width: what is a fifth off is none.
    """
    fit = axis.fit
    with np.errstate(invalid="ignore"):
        good = np.isfinite(fit.width) & ~fit.poor & (np.abs(fit.width / opening - 1) < 0.2)
        good &= np.abs(fit.middle) < 0.3 * opening
    number = np.flatnonzero(good)
    middle = index[number] + 0.5
    lower, upper = middle.copy(), middle.copy()
    lower[:, direction] -= 0.5
    upper[:, direction] += 0.5
    shift = 0.5 * fit.width[number, None] * axis.normal[number]
    place = centre[number] + fit.middle[number, None] * axis.normal[number]
    return Observations(
        np.concatenate([place - shift, place + shift]),
        np.concatenate([lower, upper]),
        np.full(2 * len(number), direction),
        np.repeat([1.0, -1.0], len(number)),
        np.tile(number, 2),
        np.tile(step[number], 2),
    )
