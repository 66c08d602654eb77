"""The action proposed after a verdict, and what would reduce an uncertainty far enough."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sieve_inspect.outcomes import Action, Outcome
from sieve_inspect.standard import Limits
from sieve_inspect.summary.uncertainty import (
    BudgetSource,
    Contribution,
    Quantity,
    combine,
    lines_of,
)
from sieve_inspect.verdict.model import ClothState, Fit, Margin, Share, Value
from sieve_inspect.verdict.sentences import Writer

# Above this share of blocked area cleaning comes first. Common practice, no source.
BLOCKED_SHARE = 0.01
_REMEDIES = {
    BudgetSource.SAMPLING: "more fields or the whole cloth",
    BudgetSource.SCALE: "a scale from a certified artefact measured at the height of the cloth",
    BudgetSource.REPRODUCIBILITY: (
        "less spread between persons and days (a new repeatability study)"
    ),
    BudgetSource.IMAGING: "sharper focus and a finer scan",
    BudgetSource.LIGHT: "stating the lamp's angle and the view, or measuring a reference cloth",
}
# Where no budget is known.
_USUAL = {
    Value.MEAN: "a certified scale artefact measured at the height of the cloth and a finer scan",
    Value.LARGEST: "measuring the largest apertures again at a higher magnification",
    Value.DEVIATION: "measuring more apertures",
}
_OF = dict(zip(Value, Quantity, strict=True))  # mean, largest aperture, standard deviation
_MOST_FIELDS = 30  # above, scanning the whole cloth is less work
_ROOM = 0.75  # share of the variance allowed that may be left to sources not named


def propose(
    outcome: Outcome,
    margins: Sequence[Margin],
    shares: Sequence[Share],
    writer: Writer,
    *,
    fit: Fit,
    cloth: ClothState,
    met: Sequence[Limits] = (),
    budget: Sequence[Contribution] = (),
    fields: int = 1,
    other_um: float | None = None,
) -> tuple[Action, str]:
    """The proposed action and why, in words.

    Torn apertures or a fail propose retiring, unless a sound fail meets coarser limits the
    laboratory allows (`met`): then it may serve under those; else blocked apertures over
    `BLOCKED_SHARE` propose cleaning; else a conditional outcome proposes measuring better and
    names what would help by the `budget` of so many `fields`; else the sieve is kept. `other_um` is
    the size the apertures have where it is not the nominal: then the label is to be checked first.
    """
    blocked = f"{100 * cloth.blocked_share:.1f} % of the open area is blocked"
    dirty = math.isfinite(cloth.blocked_share) and cloth.blocked_share > BLOCKED_SHARE
    if cloth.torn:
        holes = "a torn aperture lets" if cloth.torn == 1 else f"{cloth.torn} torn apertures let"
        return Action.RETIRE, (
            f"Proposed: take it out of use, {holes} oversize through; inspect the cloth and decide."
        )
    if outcome == Outcome.FAIL:
        coarser = met[0] if met and fit == Fit.OK and not dirty else None
        return _after_a_fail(writer, other_um, coarser, f" {blocked}" if dirty else "")
    if dirty:
        return Action.CLEAN, (
            f"Proposed: clean it and check again, {blocked} (over {100 * BLOCKED_SHARE:g} %). "
            "You decide."
        )
    if outcome != Outcome.PASS:
        helps = _what_helps(margins, shares, writer, fit, cloth, budget, fields)
        advice = f"Proposed: measure again. What would help: {'; '.join(helps)}. You decide."
        return Action.MEASURE_BETTER, advice
    return Action.KEEP, "Proposed: keep it in use, all limits are met. You decide."


def _after_a_fail(
    writer: Writer, other_um: float | None, coarser: Limits | None, blocked: str
) -> tuple[Action, str]:
    if other_um is not None:
        given, other = (writer.limit(um) for um in (writer.limits.nominal_um, other_um))
        return Action.RETIRE, (
            f"Proposed: read the label first, the apertures are those of {other}. If the label "
            f"reads {other}, check the sieve as {other}; if {given}, take it out of use. "
            "You decide."
        )
    if coarser is not None:
        name = f"{coarser.standard}, grade {coarser.grade}"
        return Action.RESTRICT, (
            f"Proposed: use it only where {name} is enough: it is outside its own limits but "
            "meets those. Mark the sieve accordingly. You decide."
        )
    first = f"{blocked}: clean it and measure again before deciding." if blocked else ""
    advice = f"Proposed: take it out of use, it is outside its limits.{first} You decide."
    return Action.RETIRE, advice


def _what_helps(
    margins: Sequence[Margin],
    shares: Sequence[Share],
    writer: Writer,
    fit: Fit,
    cloth: ClothState,
    budget: Sequence[Contribution],
    fields: int,
) -> list[str]:
    helps: list[str] = []
    if fit == Fit.INDICATIVE:
        helps.append("a better picture (finer scan, even backlight, sharp focus)")
    for row in margins:
        if not row.judged:
            helps.append(
                f"measuring at least 2 apertures in {row.direction}"
                if row.name == Value.DEVIATION
                else f"knowing the {row.name} in {row.direction} and its uncertainty"
            )
        elif row.outcome not in (Outcome.PASS, Outcome.FAIL):
            needed = writer.needed(row)
            remedy = _remedy(row, budget, fields, writer.needed_um(row))
            until = (
                f"until its uncertainty is below ±{needed}"
                if needed
                else "though a value exactly at its limit stays undecided"
            )
            helps.append(f"for the {row.name} in {row.direction}, {remedy}, {until}")
    if any(share.percent is None for share in shares):
        helps.append("counting the apertures above nominal + z")
    if not math.isfinite(cloth.blocked_share):
        helps.append("a picture in which blocked apertures can be recognised")
    return helps or ["a better picture"]


def _remedy(row: Margin, budget: Sequence[Contribution], fields: int, needed_um: float) -> str:
    """What brings the U of an undecided value below `needed_um`, in words.

    Names the largest source of the budget and as many more as it takes; where sampling alone is
    enough, also about how many fields, as large as the `fields` measured, it takes.
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
        count = math.ceil(fields * sampling / (allowed - left))
        if count > _MOST_FIELDS:
            return "the whole cloth in one scan"
        return f"more fields (about {max(count, fields + 1)} in all) or the whole cloth"
    remedies = dict(_REMEDIES)
    if row.name == Value.LARGEST:
        remedies[BudgetSource.IMAGING] = _USUAL[row.name]
    scales = [c for c in budget if c.source == BudgetSource.SCALE and c.direction == row.direction]
    if scales and (largest := max(scales, key=lambda line: line.value_um)).remedy:
        remedies[BudgetSource.SCALE] = f"a better known scale: {largest.remedy}"
    return ", and ".join(remedies[source] for source in chosen)


def _variances(row: Margin, budget: Sequence[Contribution]) -> dict[BudgetSource, float]:
    """Variance (um²) of one value by source; empty where no budget is known."""
    own = [line for line in budget if line.direction == row.direction and line.value_um > 0]
    lines = lines_of(own, _OF[row.name])
    return {
        source: combine(line for line in lines if line.source == source) ** 2
        for source in dict.fromkeys(line.source for line in lines)
    }
