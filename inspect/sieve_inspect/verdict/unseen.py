"""What a partial scan says of the apertures nobody measured.

A standard rejects a sieve for any aperture above w + X, in all of its cloth. Above a threshold the
widths measured fall off about exponentially, faster where they are normal (method of peaks over a
threshold). With k gaps among the widest 5 % of n apertures, their mean excess b over the threshold
t, and L = w + X, a further aperture is above L with the probability

    q = k_a / n · (1 + (L − t) / (k b))^−k       k_a apertures above t

(the exponential distribution averaged over what k excesses leave unknown of its mean), and none of
the N − n others with P = (1 − q)^(N − n), both directions together. Openings of one gap are wide
together, so that k counts gaps. P is settled from 95 % on; the further apertures that settle it are
those that leave few enough unseen, if they turn out as these did.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float

SETTLED = 0.95
_SHARE = 0.05  # of the apertures are beyond the threshold
_FEWEST = 5  # gaps beyond it


@dataclass(frozen=True)
class Unseen:
    """The probability that no aperture of an entire cloth is above a limit (um).

    `population` is the number of apertures of the cloth in each direction, counted or by the area
    of its frame; `p_none_above` is None where so few were measured that nothing can be said.
    `fields` is how many further fields like these settle the question, 0 where it is settled, None
    where only the entire cloth does.
    """

    limit_um: float
    measured: int
    population: int
    p_none_above: float | None
    fields: int | None

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "limit_um": self.limit_um,
            "measured": self.measured,
            "population": self.population,
            "p_none_above": None if self.p_none_above is None else round(self.p_none_above, 6),
            "settled_from": SETTLED,
            "fields_to_settle": self.fields,
        }


def share_above(width: Float, gap: NDArray[np.intp], limit: float) -> float:
    """Probability that one further aperture is above a limit (um), from widths (n,) in gaps (n,).

    Not a number where too few gaps lie beyond the threshold to show how the widths fall off.
    """
    if not len(width):
        return math.nan
    threshold = float(np.quantile(width, 1 - _SHARE))
    beyond = width > threshold
    gaps = len(np.unique(gap[beyond]))
    if limit <= threshold:
        return 1.0
    if gaps < _FEWEST:
        return math.nan
    excess = float((width[beyond] - threshold).mean())
    # In logarithms: the power may be far below the smallest number.
    tail = -gaps * math.log1p((limit - threshold) / (gaps * excess))
    return float(beyond.mean()) * math.exp(tail)


def unseen(
    shares: Sequence[float], limit_um: float, measured: int, population: int, fields: int
) -> Unseen:
    """P for a cloth of so many apertures, from the share above the limit in x and in y."""
    left = max(population - measured, 0)
    if left and not all(map(math.isfinite, shares)):
        return Unseen(limit_um, measured, population, None, None)
    # log P per aperture; both directions have to hold.
    each = sum(math.log1p(-q) if q < 1 else -math.inf for q in shares)
    p = 1.0 if left == 0 else math.exp(left * each)
    return Unseen(limit_um, measured, population, p, _further(left, each, measured / fields))


def _further(left: int, each: float, per_field: float) -> int | None:
    """Further fields that leave so few unseen that P is `SETTLED`."""
    if left == 0 or left * each >= math.log(SETTLED):
        return 0
    allowed = 0.0 if math.isinf(each) else math.log(SETTLED) / each
    needed = left - allowed
    return None if needed > left / 2 else math.ceil(needed / per_field)
