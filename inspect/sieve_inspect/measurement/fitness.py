"""How far the imaging of the scans carries a verdict."""

from __future__ import annotations

from collections.abc import Sequence

from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.suitability import finer
from sieve_inspect.scale import Scale
from sieve_inspect.standard import Limits
from sieve_inspect.summary.statistics import imaging_lines, imaging_part
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.verdict import Fit

_OK_SHARE = 1 / 3  # of the limit y that U of the imaging may take; common practice, no source
_ORDER = tuple(Fit)


def fitness(
    budget: Sequence[Contribution],
    limits: Limits,
    scale: Scale,
    doubts: Sequence[str],
) -> tuple[Fit, tuple[str, ...]]:
    """The fit and its reasons: "ok" to U = y/3, "indicative" to U = y, else "refused".

    U (k = 2) is that of the mean from scale and picture alone: how many apertures were measured is
    a matter of sampling, not of the picture. With `doubts` about the pictures the fit is
    "indicative" at best.
    """
    fit, reasons = Fit.OK, []
    for direction in "xy":
        lines = [line for line in budget if line.direction == direction]
        expanded = 2 * imaging_part(lines)
        if expanded <= limits.y_um * _OK_SHARE:
            continue
        level = Fit.INDICATIVE if expanded <= limits.y_um else Fit.REFUSED
        largest = max(imaging_lines(lines), key=lambda line: line.value_um)
        reasons.append(
            f"in {direction} the mean is known to {expanded:.2g} um only, against a limit of "
            f"{limits.y_um:g} um; most of it comes from the {largest.name}"
        )
        fit = max(fit, level, key=_ORDER.index)
    if doubts:
        return max(fit, Fit.INDICATIVE, key=_ORDER.index), (*reasons, *dict.fromkeys(doubts))
    if reasons:
        reasons.append(finer(limits.nominal_um, scale))
    return fit, tuple(reasons)


def picture_doubts(pictures: Sequence[Picture], scale: Scale) -> tuple[str, ...]:
    """Reasons why the pictures carry an indicative verdict at best."""
    doubts = [doubt for p in pictures for doubt in p.doubts]
    unread = max(p.unread for p in pictures)
    if unread > 0:
        doubts.insert(0, f"{100 * unread:.2g} % of a file could not be read and was left out")
    if not all(scale.covers(p.field.centre[p.field.ok]).all() for p in pictures):
        doubts.append("part of the cloth lies where the scale's artefact was not seen")
    return tuple(doubts)
