"""The scatter between fields: how far the mean of a field lies from the mean of its cloth.

Cloth differs from place to place, so gaps of one field are no sample of the entire cloth. Fields
are the primary units of two-stage sampling (Cochran, Sampling Techniques, 3rd ed. 1977, 10.3):

    s²  = Σ (m_i − m̄)² / (K − 1)      m_i mean of field i of K, m̄ their plain mean
    u²  = s² Σ W_i²,  ν = K − 1        W_i its share of all openings

s holds what the gaps within a field add to its mean as well; a component with that subtracted is
too small by chance so often that U of three fields covers 88 % only (tests/benchmarks).

A single field cannot know its scatter. It is taken, in this order, from earlier measurements of
the cloth; from blocks of neighbouring gaps, where the field is large enough for five of them; or
from a default of a quarter of Y (1.0 um at 75 um, 1.5 um at 125 um): this project's own figure,
known to a quarter of itself (8 degrees of freedom, JCGM 100:2008, G.4.2). Two fields know theirs
to one degree of freedom only (k = 14) and are pooled with what is known otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import stdev

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float

_GAPS_OF_BLOCK = 40
_BLOCKS = (5, 10)  # fewest that show a scatter; most, so that a block stays a part of the cloth
_SHARE_OF_Y = 0.25
_DOF_OF_DEFAULT = 8
_ALIKE = 2.0  # times the earlier scatter; fields that differ more are not pooled with it


class ScatterSource(StrEnum):
    """Where the scatter between fields comes from."""

    FIELDS = "fields"
    EARLIER = "earlier checks"
    BLOCKS = "blocks"
    DEFAULT = "default"


@dataclass(frozen=True)
class FieldScatter:
    """Standard deviation of the means of fields (um) of one cloth, with degrees of freedom."""

    s_um: float
    dof: float
    source: ScatterSource = ScatterSource.EARLIER


@dataclass(frozen=True, eq=False)
class GapMeans:
    """The gaps of one field in their order across it: mean widths (g,) um, openings (g,) each."""

    mean: Float
    count: NDArray[np.intp]

    @property
    def field_mean(self) -> float:
        """Mean width of all openings of the field, um."""
        return float((self.mean * self.count).sum() / self.count.sum())

    @property
    def openings(self) -> int:
        """Number of openings in the field."""
        return int(self.count.sum())

    def blocks(self) -> list[GapMeans]:
        """Blocks of neighbouring gaps; none where the field is too small to show a scatter."""
        least, most = _BLOCKS
        number = min(len(self.mean) // _GAPS_OF_BLOCK, most)
        if number < least:
            return []
        parts = np.array_split(np.arange(len(self.mean)), number)
        return [GapMeans(self.mean[part], self.count[part]) for part in parts]


def default_scatter(aperture_um: float) -> FieldScatter:
    """The scatter assumed where nothing is known of it: a quarter of Y = w^0.98 / 27 + 1.6."""
    y = aperture_um**0.98 / 27 + 1.6
    return FieldScatter(_SHARE_OF_Y * y, _DOF_OF_DEFAULT, ScatterSource.DEFAULT)


def scatter_of(fields: Sequence[GapMeans]) -> FieldScatter | None:
    """The scatter of several fields; None for fewer than two."""
    means = [field.field_mean for field in fields]
    if len(means) < 2:
        return None
    return FieldScatter(stdev(means), len(means) - 1, ScatterSource.FIELDS)


def scatter_between(
    fields: Sequence[GapMeans], earlier: FieldScatter | None = None
) -> FieldScatter:
    """The scatter to count for these fields, by what is known of it."""
    own = scatter_of(fields)
    if own is not None:
        if earlier is None and len(fields) == 2:
            earlier = default_scatter(fields[0].field_mean)
        return own if earlier is None else _pooled(own, earlier)
    if earlier is not None:
        return earlier
    of_blocks = scatter_of(fields[0].blocks())
    if of_blocks is None:
        return default_scatter(fields[0].field_mean)
    return FieldScatter(of_blocks.s_um, of_blocks.dof, ScatterSource.BLOCKS)


def _pooled(own: FieldScatter, earlier: FieldScatter) -> FieldScatter:
    if own.s_um > _ALIKE * earlier.s_um:
        return own
    dof = own.dof + earlier.dof
    square = (own.dof * own.s_um**2 + earlier.dof * earlier.s_um**2) / dof
    return FieldScatter(math.sqrt(square), dof, ScatterSource.FIELDS)


def u_of_mean(fields: Sequence[GapMeans], scatter: FieldScatter) -> float:
    """Standard uncertainty (um) of the mean of all openings from the scatter between fields."""
    counts = [field.openings for field in fields]
    shares = [count / sum(counts) for count in counts]
    return scatter.s_um * math.sqrt(sum(share**2 for share in shares))


def u_of_gaps(fields: Sequence[GapMeans]) -> tuple[float, int]:
    """Standard uncertainty (um) of the mean from the spread between gaps, and their number.

    The gaps of all fields count as independent: the scatter between fields comes on top.
    """
    mean = np.concatenate([field.mean for field in fields])
    weight = np.concatenate([field.count for field in fields]).astype(float)
    if len(mean) < 2:
        return 0.0, len(mean)
    weight /= weight.sum()
    middle = float((weight * mean).sum())
    # Variance of a weighted mean of independent gaps, with the usual n / (n - 1).
    variance = float((weight**2 * (mean - middle) ** 2).sum()) * len(mean) / (len(mean) - 1)
    return math.sqrt(variance), len(mean)
