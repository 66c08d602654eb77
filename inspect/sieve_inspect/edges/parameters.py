"""The parameters of one opening's edge model, by name.

Fits hold them as arrays (n, 8) with a row per opening and these columns; positions are px across
the wires from the opening's nominal centre, levels are linear light. The first edge is the left
or upper one. Functions here take such arrays and return one number (n,) per opening.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from sieve_inspect.arrays import Float


class Parameter(IntEnum):
    """Columns of a parameter array."""

    FLOOR = 0  # light of the wires
    AMPLITUDE = 1  # light of the opening above the floor
    AMPLITUDE_BEFORE = 2  # the same of the opening before (left or above) …
    AMPLITUDE_AFTER = 3  # … and of the opening after (right or below)
    EDGE_BEFORE = 4  # where the opening before ends
    FIRST_EDGE = 5  # where this opening begins …
    SECOND_EDGE = 6  # … and ends
    EDGE_AFTER = 7  # where the opening after begins


PARAMETERS = len(Parameter)
LEVELS = slice(Parameter.FLOOR, Parameter.EDGE_BEFORE)  # the columns that are light …
EDGES = slice(Parameter.EDGE_BEFORE, PARAMETERS)  # … and those that are px


def width_of(parameters: Float) -> Float:
    """Distance (n,) of the opening's two edges, px."""
    return np.asarray(parameters[:, Parameter.SECOND_EDGE] - parameters[:, Parameter.FIRST_EDGE])


def middle_of(parameters: Float) -> Float:
    """Middle (n,) between the opening's two edges, px across from its nominal centre."""
    edges = parameters[:, Parameter.FIRST_EDGE] + parameters[:, Parameter.SECOND_EDGE]
    return np.asarray(0.5 * edges)


def top_of(parameters: Float) -> Float:
    """Light (n,) of the opening itself: floor and amplitude together."""
    return np.asarray(parameters[:, Parameter.FLOOR] + parameters[:, Parameter.AMPLITUDE])
