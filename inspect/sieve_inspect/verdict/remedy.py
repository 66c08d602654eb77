"""What reduces the uncertainty of a value far enough, by the sources in its budget."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sieve_inspect.summary.uncertainty import (
    BudgetSource,
    Contribution,
    Quantity,
    combine,
    lines_of,
)
from sieve_inspect.verdict.model import Margin, Value

_REMEDIES = {
    BudgetSource.SAMPLING: "more fields or the whole cloth",
    BudgetSource.SCALE: "a scale from a certified artefact measured at the height of the cloth",
    BudgetSource.REPRODUCIBILITY: "less spread between persons and days "
    "(a new repeatability study)",
    BudgetSource.IMAGING: "sharper focus and a finer scan",
}
# Where no budget is known.
_USUAL = {
    Value.MEAN: "a certified scale artefact measured at the height of the cloth and a finer scan",
    Value.LARGEST: "measuring the largest apertures again at a higher magnification",
    Value.DEVIATION: "measuring more apertures",
}
_OF = {
    Value.MEAN: Quantity.MEAN,
    Value.LARGEST: Quantity.LARGEST,
    Value.DEVIATION: Quantity.DEVIATION,
}
_MOST_FIELDS = 30  # above, scanning the whole cloth is less work
_ROOM = 0.75  # share of the variance allowed that may be left to sources not named


def remedy(row: Margin, budget: Sequence[Contribution], fields: int, needed_um: float) -> str:
    """What brings the U of an undecided value below `needed_um`, in words.

    The largest source of the budget is named, and as many more as it takes. Where sampling alone
    is enough, the text names about how many fields of the size of the `fields` measured it takes.
    """
    variance = _variances(row, budget)
    if not variance:
        return _USUAL[row.name]
    allowed = (needed_um / row.k) ** 2
    chosen: list[BudgetSource] = []
    left = sum(variance.values())
    for source in sorted(variance, key=lambda key: -variance[key]):
        if chosen and left <= _ROOM * allowed:
            break
        chosen.append(source)
        left -= variance[source]
    if chosen == [BudgetSource.SAMPLING] and left < allowed:
        sampling = variance[BudgetSource.SAMPLING]
        return _more_fields(math.ceil(fields * sampling / (allowed - left)), fields)
    remedies = dict(_REMEDIES)
    if row.name == Value.LARGEST:
        remedies[BudgetSource.IMAGING] = _USUAL[row.name]
    return ", and ".join(remedies[source] for source in chosen)


def _variances(row: Margin, budget: Sequence[Contribution]) -> dict[BudgetSource, float]:
    """Variance (um²) of one value by source; empty where no budget is known."""
    own = [line for line in budget if line.direction == row.direction and line.value_um > 0]
    parts: dict[BudgetSource, list[Contribution]] = {}
    for line in lines_of(own, _OF[row.name]):
        parts.setdefault(line.source, []).append(line)
    return {source: combine(lines) ** 2 for source, lines in parts.items()}


def _more_fields(count: int, measured: int) -> str:
    if count > _MOST_FIELDS:
        return "the whole cloth in one scan"
    return f"more fields (about {max(count, measured + 1)} in all) or the whole cloth"
