"""The wear of a sieve in a report: chart, a sentence for each trend, breaks in the history."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sieve_registry.outlook.wear import Reach, Trend, Wear
from sieve_registry.report.formatting import Lengths, clean, digits, sentence
from sieve_registry.report.wear_charts import wear_axis, wear_chart

if TYPE_CHECKING:
    from sieve_registry.outlook.queries import Outlook

__all__ = ["wear_view"]


def wear_view(seen: Outlook, lengths: Lengths) -> dict[str, Any]:
    """Chart and sentences of an outlook with at least one check."""
    from markupsafe import Markup

    worn = seen.wear
    sentences = _sentences(worn, lengths)
    label = (
        f"Mean apertures of sieve {clean(worn.sieve_id)} in {lengths.unit} against "
        f"{wear_axis(worn)}, {len(worn.checks)} checks. {' '.join(sentences)}"
    )
    return {
        "svg": Markup(wear_chart(seen, label)),
        "sentences": sentences,
        "as_of": worn.as_of.isoformat(),
        "axis": wear_axis(worn),
        "lines": any(t.slope is not None for t in worn.trends if t.name == "mean"),
        "advice": sentence(seen.advice.reason.removeprefix("Proposed: ")),
        "action": seen.advice.action,
    }


def _sentences(worn: Wear, lengths: Lengths) -> list[str]:
    sentences = [_trend(t, worn, lengths) for t in worn.trends if t.name == "mean"]
    first = worn.first
    if first is not None and first.name != "mean":
        sentences.append(_trend(first, worn, lengths))
    for step in worn.steps:
        what = "a new history begins" if step.new_cloth else "the level may differ from then on"
        sentences.append(f"On {step.on_date}: {step.reason}; {what}.")
    widened = [f"{t.name} in {t.direction}" for t in worn.trends if t.scatter_factor > 1]
    if widened:
        sentences.append(
            f"The results of {', '.join(widened)} vary more than their uncertainty; the intervals "
            "are widened accordingly."
        )
    if worn.directions_diverge:
        sentences.append("One direction widens while the other narrows: review both.")
    return [str(clean(text)) for text in sentences]


def _trend(trend: Trend, worn: Wear, lengths: Lengths) -> str:
    name = f"{trend.name.capitalize()} in {trend.direction}"
    if trend.now_um is None or trend.slope is None:
        return f"{name}: no trend yet, {trend.problem}."
    now, expanded = lengths.value(trend.now_um, 2 * (trend.u_now_um or 0.0))
    per = "1000 uses" if worn.by_uses else "year"
    low, high = (
        _signed(lengths, slope, trend)
        for slope in (trend.slope_low or 0.0, trend.slope_high or 0.0)
    )
    text = (
        f"{name}: {now} ± {expanded} {lengths.unit} (current trend estimate), "
        f"{_signed(lengths, trend.slope, trend)} {lengths.unit} per {per} (95 %: {low} to {high})"
    )
    if trend.reached_already:
        return f"{text}; it is {trend.position} already."
    if trend.reach is None:
        return f"{text}; {trend.problem}." if trend.problem else f"{text}."
    return f"{text}. {_reach(trend.reach, worn)}"


def _signed(lengths: Lengths, slope: float, trend: Trend) -> str:
    """A slope with its sign, rounded by its interval."""
    half = ((trend.slope_high or 0.0) - (trend.slope_low or 0.0)) / 2
    value, _ = lengths.value(slope, half or None)
    text = value or digits(lengths.scaled(slope)) or ""
    return text if text.startswith("−") or slope <= 0 else f"+{text}"


def _reach(reach: Reach, worn: Wear) -> str:
    unit = "uses" if worn.by_uses else "days"
    text = (
        f"It reaches the acceptance limit after {reach.at:.0f} {unit} in all "
        f"(95 %: {reach.low:.0f} to {reach.high:.0f})"
    )
    if worn.places and reach.at - worn.places[-1] > 3 * (worn.places[-1] - worn.places[0]):
        text += ", far beyond the observed range: not soon"
    if reach.day is None:
        return f"{text}; the rate of use is not known."
    return f"{text}, about {reach.day} ({reach.day_low} to {reach.day_high})."
