"""What would bring the uncertainty of a value down far enough, by what it is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sieve_inspect.summary.uncertainty import Contribution, combine, lines_of
from sieve_inspect.verdict.model import Margin

__all__ = ["remedy"]

# Lines of a budget by what makes them smaller; all others depend on the picture.
_KINDS = {
    "sampling": "sampling",
    "sampling of s": "sampling",
    "scale": "scale",
    "edge bias": "scale",
    "reproducibility": "repeating",
}
_REMEDIES = {
    "sampling": "more fields or the whole cloth",
    "scale": "a scale from a certified artefact measured at the height of the cloth",
    "repeating": "less spread between persons and days (a new repeatability study)",
    "imaging": "sharper focus and a finer scan",
}
# Where no budget is known.
_USUAL = {
    "mean": "a certified scale artefact measured at the height of the cloth and a finer scan",
    "largest aperture": "measuring the largest apertures again at a higher magnification",
    "standard deviation": "measuring more apertures",
}
_OF = {"mean": "mean", "largest aperture": "max", "standard deviation": "sd"}
_NOT_OF_ONE = ("sampling", "pixel noise")  # what a mean has, but no single aperture
_MOST_FIELDS = 30  # a person scans the whole cloth rather than more
_ROOM = 0.75  # so much of the variance allowed may be left to what is not named


def remedy(row: Margin, budget: Sequence[Contribution], fields: int, needed_um: float) -> str:
    """What to do until the U (k = 2) of an undecided value is below `needed_um`, in words.

    The largest part of the budget is named, and as many more as it takes. Where sampling alone
    would do, it says about how many fields of the size of the `fields` measured that takes.
    """
    lines = _lines(row, budget)
    if not lines:
        return _USUAL[row.name]
    parts: dict[str, list[Contribution]] = {}
    for line in lines:
        parts.setdefault(_KINDS.get(line.name, "imaging"), []).append(line)
    variance = {kind: combine(some) ** 2 for kind, some in parts.items()}
    allowed = (needed_um / 2) ** 2
    chosen: list[str] = []
    left = sum(variance.values())
    for kind in sorted(variance, key=lambda one: -variance[one]):
        if chosen and left <= _ROOM * allowed:
            break
        chosen.append(kind)
        left -= variance[kind]
    told = [_REMEDIES[kind] for kind in chosen]
    if "imaging" in chosen and row.name == "largest aperture":
        told[chosen.index("imaging")] = _USUAL[row.name]
    if chosen == ["sampling"] and left < allowed:
        told = [_fields(math.ceil(fields * variance["sampling"] / (allowed - left)), fields)]
    return ", and ".join(told)


def _lines(row: Margin, budget: Sequence[Contribution]) -> list[Contribution]:
    """The lines that make one value uncertain; a largest aperture shares those of the mean."""
    own = [line for line in budget if line.direction == row.direction and line.value_um > 0]
    lines = lines_of(own, _OF[row.name])
    if row.name == "largest aperture" and lines_of(own):
        lines += [line for line in lines_of(own) if line.name not in _NOT_OF_ONE]
    return lines


def _fields(count: int, measured: int) -> str:
    if count > _MOST_FIELDS:
        return "the whole cloth in one scan"
    return f"more fields (about {max(count, measured + 1)} in all) or the whole cloth"
