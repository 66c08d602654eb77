"""What the tool proposes after a verdict; the decision stays with a person."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sieve_inspect.standard import Limits
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.verdict.model import Margin, Share
from sieve_inspect.verdict.remedy import remedy
from sieve_inspect.verdict.rules import FAIL, PASS
from sieve_inspect.verdict.sentences import Writer

__all__ = ["BLOCKED_SHARE", "propose"]

# Above this share of blocked area cleaning comes first. Common practice, no source.
BLOCKED_SHARE = 0.01


def propose(
    outcome: str,
    margins: Sequence[Margin],
    shares: Sequence[Share],
    writer: Writer,
    *,
    fit: str,
    blocked_share: float,
    torn: int,
    met: Sequence[Limits] = (),
    budget: Sequence[Contribution] = (),
    fields: int = 1,
    other_um: float | None = None,
) -> tuple[str, str]:
    """The proposed action ("keep", "clean and recheck", "measure better", "retire", …) and why.

    Torn apertures or a fail propose retiring, unless a sound fail meets coarser limits the
    laboratory allows (`met`): then it may serve under those; else blocked apertures over
    `BLOCKED_SHARE` propose cleaning; else anything conditional proposes measuring better, and
    says what would help by the `budget` of so many `fields`; else the sieve is kept. `other_um` is
    the size the apertures have rather than the one given: then the label is looked at first.
    """
    blocked = f"{100 * blocked_share:.1f} % of the open area is blocked"
    dirty = math.isfinite(blocked_share) and blocked_share > BLOCKED_SHARE
    if torn:
        holes = "a torn aperture lets" if torn == 1 else f"{torn} torn apertures let"
        return "retire", (
            f"Proposed: take it out of use, {holes} oversize through; look at the cloth and decide."
        )
    if outcome == FAIL:
        coarser = met[0] if met and fit == "ok" and not dirty else None
        return _after_a_fail(writer, other_um, coarser, f" {blocked}" if dirty else "")
    if dirty:
        return "clean and recheck", (
            f"Proposed: clean it and check again, {blocked} (over {100 * BLOCKED_SHARE:g} %). "
            "You decide."
        )
    if outcome != PASS:
        help_ = "; ".join(_what_helps(margins, shares, writer, fit, blocked_share, budget, fields))
        return "measure better", f"Proposed: measure again. What would help: {help_}. You decide."
    return "keep", "Proposed: keep it in use, all limits are met. You decide."


def _after_a_fail(
    writer: Writer, other_um: float | None, coarser: Limits | None, blocked: str
) -> tuple[str, str]:
    if other_um is not None:
        given, other = (writer.limit(um) for um in (writer.limits.nominal_um, other_um))
        return "retire", (
            f"Proposed: look at the label first, these are the apertures of {other}. If it says "
            f"{other}, check it as that; if it says {given}, take it out of use. You decide."
        )
    if coarser is not None:
        name = f"{coarser.standard}, grade {coarser.grade}"
        return "restrict to coarser limits", (
            f"Proposed: use it only where {name} is enough; it is outside its own limits but "
            "meets those. Mark it so. You decide."
        )
    first = f"{blocked}: clean it and measure once more before deciding." if blocked else ""
    return (
        "retire",
        f"Proposed: take it out of use, it is outside its limits.{first} You decide.",
    )


def _what_helps(
    margins: Sequence[Margin],
    shares: Sequence[Share],
    writer: Writer,
    fit: str,
    blocked_share: float,
    budget: Sequence[Contribution],
    fields: int,
) -> list[str]:
    helps = []
    if fit == "indicative":
        helps.append("a better picture (finer scan, even backlight, sharp focus)")
    for row in margins:
        if not row.judged:
            helps.append(
                f"measuring at least 2 apertures in {row.direction}"
                if row.name == "standard deviation"
                else f"knowing the {row.name} in {row.direction} and its uncertainty"
            )
        elif row.outcome not in (PASS, FAIL):
            needed = writer.needed(row)
            help_ = remedy(row, budget, fields, writer.needed_um(row))
            until = (
                f"until its uncertainty is below ±{needed}"
                if needed
                else ("though a value exactly at its limit stays undecided")
            )
            helps.append(f"for the {row.name} in {row.direction}, {help_}, {until}")
    if any(share.percent is None for share in shares):
        helps.append("counting the apertures above nominal + z")
    if not math.isfinite(blocked_share):
        helps.append("a picture in which blocked apertures can be told")
    return helps or ["a better picture"]
