"""Measured directions against limits: the outcome is the worst of all that is judged."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from sieve_inspect.errors import UsageError
from sieve_inspect.standard import Limits, size_of
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.verdict.action import propose
from sieve_inspect.verdict.model import Margin, Share, Verdict, worst
from sieve_inspect.verdict.rules import (
    FAIL,
    NOT_JUDGED,
    PASS,
    Rule,
    add,
    decide,
    p_conform,
    read_rule,
)
from sieve_inspect.verdict.sentences import Writer, share_sentence

__all__ = ["judge"]


def judge(
    x: DirectionSummary,
    y: DirectionSummary,
    limits: Limits,
    *,
    fit: str,
    fit_reasons: Sequence[str] = (),
    blocked_share: float = 0.0,
    torn: int = 0,
    rule: str = "guard-band",
    share_above_z: tuple[float, float] | None = None,
    coarser: Sequence[Limits] = (),
    budget: Sequence[Contribution] = (),
    fields: int = 1,
) -> Verdict:
    """Judge both directions of a cloth against the limits of an edition.

    Each direction's mean is held two-sided against nominal ± y, its largest aperture against
    nominal + x, its standard deviation against the limit on s where the edition has one, and
    `share_above_z` (0 to 1, for x and y: the share of apertures above nominal + z) against the
    edition's limit on that share, without a guard band. Rule "guard-band" takes U = 2u (k = 2)
    as the band (ILAC-G8:09/2019), "guard-band:R" R times U, "simple" none, and "probability:P"
    asks for a conformance probability of at least P (see `rules`).

    What is not known (a value or uncertainty that is no number, s of fewer than 2 apertures, a
    share not given) never passes. A fit of "indicative" makes the outcome conditional under
    every rule. Torn apertures fail. `blocked_share` (0 to 1) moves only the proposed action, and
    so do `coarser` limits, those a failed sieve may still serve under when it meets them, and the
    uncertainty `budget` (both directions) of so many `fields`, which tells what would help.

    Raises `UsageError` for an unknown rule or fit, a refused fit, or a share outside 0 to 1.
    """
    by = read_rule(rule)
    _check(fit, blocked_share, torn, share_above_z)
    margins = _both(x, y, limits, by)
    shares = _shares(limits, share_above_z)
    found = [*(row.outcome for row in margins), *(share.outcome for share in shares)]
    if torn > 0:
        found.append(FAIL)
    if not math.isfinite(blocked_share):
        found.append(NOT_JUDGED)
    outcome = worst(found)
    if fit == "indicative":
        outcome = f"conditional {outcome.removeprefix('conditional ')}"
    writer = Writer(limits, by)
    reasons = _reasons(writer, margins, shares, torn=torn, blocked_share=blocked_share)
    if fit == "indicative":
        reasons += [f"the picture is only indicative: {reason}" for reason in fit_reasons] or [
            "the picture is only indicative"
        ]
    reasons += _notes(x, y, limits)
    other = _other_size(x, y, limits) if outcome == FAIL and fit == "ok" else None
    if other is not None:
        reasons.append(writer.other_size(*other))
    action, action_reason = propose(
        outcome,
        margins,
        shares,
        writer,
        fit=fit,
        blocked_share=blocked_share,
        torn=torn,
        met=[other for other in coarser if _meets(x, y, other, by)],
        budget=budget,
        fields=fields,
        other_um=None if other is None else other[0],
    )
    return Verdict(
        standard=limits.standard,
        grade=limits.grade,
        rule=by.spec,
        outcome=outcome,
        reasons=tuple(_sentence(reason) for reason in reasons),
        action=action,
        action_reason=action_reason,
        margins=margins,
        shares=shares,
    )


def _both(
    x: DirectionSummary, y: DirectionSummary, limits: Limits, rule: Rule
) -> tuple[Margin, ...]:
    return tuple(
        row
        for direction, summary in (("x", x), ("y", y))
        for row in _margins(direction, summary, limits, rule)
    )


def _meets(x: DirectionSummary, y: DirectionSummary, other: Limits, rule: Rule) -> bool:
    """Whether every value passes these limits too; a share above z is not known for them."""
    if other.z_um is not None:
        return False
    return all(row.outcome == PASS for row in _both(x, y, other, rule))


def _other_size(
    x: DirectionSummary, y: DirectionSummary, limits: Limits
) -> tuple[float, float] | None:
    """The size (nominal and y, um) these apertures have rather than the one given, or None.

    Both means lie on one side, over twice as far off as is allowed, and fit the other size. A
    sieve that wears is taken out long before it comes so far. Common practice, no source.
    """
    off = [summary.mean_um - limits.nominal_um for summary in (x, y) if summary.count]
    if len(off) < 2 or off[0] * off[1] <= 0 or min(map(abs, off)) <= 2 * limits.y_um:
        return None
    return size_of((x.mean_um, y.mean_um), limits.standard)


def _check(
    fit: str,
    blocked_share: float,
    torn: int,
    share_above_z: tuple[float, float] | None,
) -> None:
    if fit == "refused":
        raise UsageError(message="A refused picture is not judged: measure a better one.")
    if fit not in ("ok", "indicative"):
        raise UsageError(message=f"'{fit}' is no fit: it is ok, indicative or refused.")
    if torn < 0:
        raise UsageError(message=f"A count of {torn} torn apertures is not possible.")
    for share in (blocked_share, *(share_above_z or ())):
        if math.isfinite(share) and not 0 <= share <= 1:
            raise UsageError(message=f"A share of {share:g} is not possible: give 0 to 1.")


def _margins(
    direction: str, summary: DirectionSummary, limits: Limits, rule: Rule
) -> Iterable[Margin]:
    w, s_limit = limits.nominal_um, limits.s_limit_um
    one, two = summary.count >= 1, summary.count >= 2  # what a mean and what an s needs
    mean = summary.mean_um if one else math.nan
    largest = summary.max_um if one else math.nan
    low, high = add(w, -limits.y_um), add(w, limits.y_um)
    rows: list[tuple[str, float, float, float | None, float]] = [
        ("mean", mean, summary.u_mean_um, low, high),
        ("largest aperture", largest, summary.u_max_um, None, limits.max_um),
    ]
    if s_limit is not None:
        sd = summary.sd_um if two else math.nan
        rows.append(("standard deviation", sd, summary.u_sd_um, None, s_limit))
    for name, value, u, lower, upper in rows:
        expanded = 2.0 * float(u)  # k = 2
        outcome = decide(value, expanded, lower, upper, rule)
        yield Margin(
            name=name,
            direction=direction,
            value_um=float(value),
            U_um=expanded,
            limit_low_um=lower,
            limit_high_um=upper,
            outcome=outcome or NOT_JUDGED,
            judged=outcome is not None,
            p_conform=p_conform(float(value), float(u), lower, upper),
        )


def _shares(limits: Limits, above: tuple[float, float] | None) -> tuple[Share, ...]:
    if limits.z_um is None or limits.z_share_percent is None:
        return ()
    limit = limits.z_share_percent
    rows = []
    for direction, share in zip("xy", above or (math.nan, math.nan), strict=True):
        if not math.isfinite(share):
            rows.append(Share(direction, None, limit, NOT_JUDGED))
            continue
        percent = round(100.0 * share, 9)  # 0.06 is 6 %, not 6.000000000000001
        rows.append(Share(direction, percent, limit, PASS if percent <= limit else FAIL))
    return tuple(rows)


def _reasons(
    writer: Writer,
    margins: Sequence[Margin],
    shares: Sequence[Share],
    *,
    torn: int,
    blocked_share: float,
) -> list[str]:
    """One sentence for each value that does not pass; one for all when everything does."""
    limits = writer.limits
    reasons = [writer.margin(row) for row in margins if row.outcome != PASS]
    if limits.z_um is not None:
        above = writer.limit(add(limits.nominal_um, limits.z_um))
        reasons += [share_sentence(share, above) for share in shares if share.outcome != PASS]
    if torn:
        reasons.append(f"{torn} {'aperture is' if torn == 1 else 'apertures are'} torn")
    if not math.isfinite(blocked_share):
        reasons.append("the share of blocked apertures is not known")
    if reasons:
        return reasons
    parts = [
        f"both means are within ±{writer.limit(limits.y_um)} of {writer.limit(limits.nominal_um)}",
        f"no aperture measured is above {writer.limit(limits.max_um)}",
    ]
    if limits.s_limit_um is not None:
        parts.append(f"both standard deviations are at most {writer.limit(limits.s_limit_um)}")
    if shares:
        parts.append("the share of large apertures is within its limit")
    return [", ".join(parts) + writer.band()]


def _notes(x: DirectionSummary, y: DirectionSummary, limits: Limits) -> list[str]:
    """What the reader should know although it moves no outcome."""
    notes = []
    if limits.s_limit_um is None and limits.z_um is None:
        notes.append("the standard deviation is not judged: the table has no limit for it here")
    # Grades measured on the finished sieve name a count; that of compliance is for whole rolls.
    if limits.n is not None and limits.grade != "compliance":
        for direction, summary in (("x", x), ("y", y)):
            if summary.count < limits.n:
                notes.append(
                    f"{summary.count} apertures were measured in {direction}; the limits for "
                    f"grade {limits.grade} are meant for {limits.n}"
                )
    return notes


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.endswith(".") else f"{text}."
