"""The edge bias: the offset of measured edges of something of known width.

Each gap, moved to um, appears wider by 2b px of the scale where it lies. Bright ground reaches b
into the dark: where the lines are bright, gaps lose what openings gain.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sieve_inspect.arrays import Float, Index
from sieve_inspect.scale.least_squares import clustered_covariance, least_squares, robust_weights
from sieve_inspect.scale.model import Scale


class BiasSource(StrEnum):
    """Sources of uncertainty of an edge bias, as written in scale files."""

    CERTIFIED_WIDTH = "certified width of the line"
    SCALE = "scale"
    FIT = "fit of the edges"
    SHAPE = "shape of the edges"
    DIRECTIONS = "difference of x and y"
    REPEATABILITY = "picture to picture"


@dataclass(frozen=True, eq=False)
class Gaps:
    """Gaps between lines as measured: edges (n, 2) px before and after, in `picture` (n,).

    `across` (n,) is the lattice direction, `bright` whether gaps are brighter than lines,
    `u_width_px` the standard uncertainty that the edge spread function adds to all widths alike.
    """

    before: Float
    after: Float
    across: Index
    picture: Index
    bright: bool
    u_width_px: float


@dataclass(frozen=True)
class BiasRow:
    """One source of uncertainty of an edge bias: its standard uncertainty in px."""

    name: BiasSource
    u_px: float
    dof: int | None = None


def biases(scale: Scale, gaps: Gaps, width_um: float, angle: Float) -> Float:
    """Edge bias (n,) in px from each gap of known width.

    `angle` (n,) is the direction across the gap in the plane in um, radians; where the map leans
    it is not the direction from edge to edge.
    """
    width_px = np.hypot(*(gaps.after - gaps.before).T)
    way = scale.to_um(gaps.after) - scale.to_um(gaps.before)
    measured_um = np.abs(way[:, 0] * np.cos(angle) + way[:, 1] * np.sin(angle))
    sign = 1 if gaps.bright else -1
    return np.asarray((measured_um - width_um) / 2 * width_px / measured_um * sign)


def robust_mean(values: Float, group: Index) -> tuple[float, float]:
    """Mean of values (n,) without outliers, and its variance; errors within a `group` correlate."""
    used, weight = np.ones(len(values), np.bool_), np.ones(len(values))
    design = np.ones((len(values), 1))
    for turn in range(6):
        mean = least_squares(design, values, weight)
        weight = robust_weights(mean.residual, used, 1e-4, hard=turn >= 4)
    grouped = clustered_covariance(mean, design, weight, group)
    return float(mean.value[0]), max(float(mean.covariance[0, 0]), float(grouped[0, 0]))


def combined(rows: tuple[BiasRow, ...]) -> float:
    """The combined standard uncertainty (px) of a budget."""
    return float(np.sqrt(sum(row.u_px**2 for row in rows)))
