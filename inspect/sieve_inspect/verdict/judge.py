"""Judges measured directions by limits; the outcome is the worst of all values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import Outcome, worst
from sieve_inspect.standard import Limits, size_of
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.verdict.action import propose
from sieve_inspect.verdict.model import ClothState, Fit, Margin, Share, Value, Verdict
from sieve_inspect.verdict.rules import UNKNOWN, Rule, add, decide, p_conform, read_rule
from sieve_inspect.verdict.sentences import Writer, share_sentence

_SOUND = ClothState()


def judge(
    x: DirectionSummary,
    y: DirectionSummary,
    limits: Limits,
    *,
    fit: Fit | str,
    fit_reasons: Sequence[str] = (),
    cloth: ClothState = _SOUND,
    rule: str = "guard-band",
    coarser: Sequence[Limits] = (),
    budget: Sequence[Contribution] = (),
    fields: int = 1,
) -> Verdict:
    """Judge both directions of a cloth against the limits of an edition.

    Each direction's mean is compared with nominal ± y, its largest aperture with nominal + x, its
    standard deviation with the limit on s where the edition has one, and the share of apertures
    above nominal + z with the edition's limit on it, without a guard band. Rule "guard-band" takes
    U = k u as the band (ILAC-G8:09/2019), "guard-band:R" R times U, "simple" none, and
    "probability:P" asks for a conformance probability of at least P (see `rules`). k and the
    degrees of freedom are those of each value's own budget.

    What is not known (a value or uncertainty that is not a number, s of fewer than 2 apertures, a
    share not counted) never passes. A fit of "indicative" makes the outcome conditional under
    every rule. Torn apertures fail. The blocked share of the `cloth` moves only the proposed
    action, and so do `coarser` limits, those a failed sieve may still serve under when it meets
    them, and the uncertainty `budget` (both directions) of so many `fields`, which names what would
    help.

    Raises `UsageError` for an unknown rule or fit, a refused fit, or a share outside 0 to 1.
    """
    by = read_rule(rule)
    fit = _read_fit(fit)
    _check(cloth)
    margins = _both(x, y, limits, by)
    shares = _shares(limits, cloth.share_above_z)
    outcome = _outcome(margins, shares, fit, cloth)
    writer = Writer(limits, by)
    reasons = _reasons(writer, margins, shares, cloth)
    if fit == Fit.INDICATIVE:
        reasons += [f"the picture is only indicative: {reason}" for reason in fit_reasons] or [
            "the picture is only indicative"
        ]
    reasons += _notes(x, y, limits)
    sound_fail = outcome == Outcome.FAIL and fit == Fit.OK
    other = _other_size(x, y, limits) if sound_fail else None
    if other is not None:
        reasons.append(writer.other_size(*other))
    action, action_reason = propose(
        outcome,
        margins,
        shares,
        writer,
        fit=fit,
        cloth=cloth,
        met=[limit for limit in coarser if _meets(x, y, limit, by)],
        budget=budget,
        fields=fields,
        other_um=None if other is None else other[0],
    )
    return Verdict(
        standard=limits.standard,
        grade=limits.grade,
        rule=by.spec,
        outcome=outcome,
        reasons=tuple(f"{reason.strip().removesuffix('.')}." for reason in reasons),
        action=action,
        action_reason=action_reason,
        margins=margins,
        shares=shares,
    )


def _outcome(
    margins: Sequence[Margin], shares: Sequence[Share], fit: Fit, cloth: ClothState
) -> Outcome:
    """The worst outcome of all that is judged; only conditional for an indicative picture."""
    outcomes = [*(row.outcome for row in margins), *(share.outcome for share in shares)]
    if cloth.torn > 0:
        outcomes.append(Outcome.FAIL)
    if not math.isfinite(cloth.blocked_share):
        outcomes.append(UNKNOWN)
    outcome = worst(outcomes)
    return outcome.only_conditional if fit == Fit.INDICATIVE else outcome


def _both(
    x: DirectionSummary, y: DirectionSummary, limits: Limits, rule: Rule
) -> tuple[Margin, ...]:
    return (*_margins("x", x, limits, rule), *_margins("y", y, limits, rule))


def _meets(x: DirectionSummary, y: DirectionSummary, other: Limits, rule: Rule) -> bool:
    """Whether every value passes these limits too; a share above z is not known for them."""
    if other.z_um is not None:
        return False
    return all(row.outcome == Outcome.PASS for row in _both(x, y, other, rule))


def _other_size(
    x: DirectionSummary, y: DirectionSummary, limits: Limits
) -> tuple[float, float] | None:
    """The tabulated size (nominal and y, um) these apertures have if not the nominal, or None.

    Both means lie on one side, over twice as far off as is allowed, and fit the other size. A
    worn sieve is taken out of use long before that. Common practice, no source.
    """
    off = [summary.mean_um - limits.nominal_um for summary in (x, y) if summary.count]
    if len(off) < 2 or off[0] * off[1] <= 0 or min(map(abs, off)) <= 2 * limits.y_um:
        return None
    return size_of((x.mean_um, y.mean_um), limits.standard)


def _read_fit(fit: str) -> Fit:
    if fit == Fit.REFUSED:
        raise UsageError(message="A refused picture is not judged: measure a better picture.")
    if fit not in tuple(Fit):
        raise UsageError(message=f"'{fit}' is not a fit. Use ok, indicative or refused.")
    return Fit(fit)


def _check(cloth: ClothState) -> None:
    if cloth.torn < 0:
        raise UsageError(message=f"A count of {cloth.torn} torn apertures is not possible.")
    for share in (cloth.blocked_share, *(cloth.share_above_z or ())):
        if math.isfinite(share) and not 0 <= share <= 1:
            raise UsageError(message=f"A share of {share:g} is not possible: give 0 to 1.")


def _margins(
    direction: str, summary: DirectionSummary, limits: Limits, rule: Rule
) -> Iterable[Margin]:
    w, s = limits.nominal_um, summary
    low, high = add(w, -limits.y_um), add(w, limits.y_um)
    rows: list[tuple[Value, int, float, tuple[float, float, float], float | None, float | None]] = [
        (Value.MEAN, 1, s.mean_um, (s.u_mean_um, s.k_mean, s.dof_mean), low, high),
        (Value.LARGEST, 1, s.max_um, (s.u_max_um, s.k_max, s.dof_max), None, limits.max_um),
        (Value.DEVIATION, 2, s.sd_um, (s.u_sd_um, s.k_sd, s.dof_sd), None, limits.s_limit_um),
    ]
    for name, least, measured, (u, k, dof), lower, upper in rows:
        if upper is None:
            continue
        value = measured if s.count >= least else math.nan  # a mean needs 1 aperture, s needs 2
        outcome = decide(value, k * float(u), lower, upper, rule, k, dof)
        yield Margin(
            name=name,
            direction=direction,
            value_um=float(value),
            U_um=k * float(u),
            limit_low_um=lower,
            limit_high_um=upper,
            outcome=outcome or UNKNOWN,
            judged=outcome is not None,
            p_conform=p_conform(float(value), float(u), lower, upper, dof),
            k=k,
            dof=dof,
        )


def _shares(limits: Limits, above: tuple[float, float] | None) -> tuple[Share, ...]:
    if limits.z_um is None or limits.z_share_percent is None:
        return ()
    limit = limits.z_share_percent
    rows = []
    for direction, share in zip("xy", above or (math.nan, math.nan), strict=True):
        if not math.isfinite(share):
            rows.append(Share(direction, None, limit, UNKNOWN))
            continue
        percent = round(100.0 * share, 9)  # 0.06 is 6 %, not 6.000000000000001
        outcome = Outcome.PASS if percent <= limit else Outcome.FAIL
        rows.append(Share(direction, percent, limit, outcome))
    return tuple(rows)


def _reasons(
    writer: Writer,
    margins: Sequence[Margin],
    shares: Sequence[Share],
    cloth: ClothState,
) -> list[str]:
    """A sentence for each value that does not pass; a single sentence when all pass."""
    limits, torn = writer.limits, cloth.torn
    reasons = [writer.margin(row) for row in margins if row.outcome != Outcome.PASS]
    if limits.z_um is not None:
        above = writer.limit(add(limits.nominal_um, limits.z_um))
        reasons += [
            share_sentence(share, above) for share in shares if share.outcome != Outcome.PASS
        ]
    if torn:
        reasons.append(f"{torn} {'aperture is' if torn == 1 else 'apertures are'} torn")
    if not math.isfinite(cloth.blocked_share):
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
    """Remarks that do not change the outcome."""
    notes = []
    if limits.s_limit_um is None and limits.z_um is None:
        notes.append("the standard deviation is not judged: the table has no limit for it here")
    # Grades measured on the finished sieve name a count; that of compliance is for rolls of cloth.
    if limits.n is not None and limits.grade != "compliance":
        notes += [
            f"{summary.count} apertures were measured in {direction}; the limits for "
            f"grade {limits.grade} are meant for {limits.n}"
            for direction, summary in (("x", x), ("y", y))
            if summary.count < limits.n
        ]
    return notes
