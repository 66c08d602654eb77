"""The wear of a sieve as a report tells it: chart, one sentence per mean, and what divides it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sieve_registry.outlook.wear import Reach, Trend, Wear
from sieve_registry.report.formatting import Lengths, clean, digits, sentence
from sieve_registry.report.wear_charts import wear_axis, wear_chart

if TYPE_CHECKING:
    from sieve_registry.outlook.queries import Outlook

__all__ = ["wear_view"]


def wear_view(found: Outlook, lengths: Lengths) -> dict[str, Any]:
    """Chart and sentences of an outlook with at least one check."""
    from markupsafe import Markup

    worn = found.wear
    told = _sentences(worn, lengths)
    label = (
        f"Mean apertures of sieve {clean(worn.sieve_id)} in {lengths.unit} against "
        f"{wear_axis(worn)}, {len(worn.checks)} checks. {' '.join(told)}"
    )
    return {
        "svg": Markup(wear_chart(found, label)),
        "sentences": told,
        "as_of": worn.as_of.isoformat(),
        "axis": wear_axis(worn),
        "lines": any(t.slope is not None for t in worn.trends if t.name == "mean"),
        "advice": sentence(found.advice.reason.removeprefix("Proposed: ")),
        "action": found.advice.action,
    }


def _sentences(worn: Wear, lengths: Lengths) -> list[str]:
    told = [_trend(t, worn, lengths) for t in worn.trends if t.name == "mean"]
    first = worn.first
    if first is not None and first.name != "mean":
        told.append(_trend(first, worn, lengths))
    for step in worn.steps:
        what = "the history begins anew" if step.new_cloth else "the level may differ from there"
        told.append(f"On {step.on_date}: {step.reason}; {what}.")
    loose = [f"{t.name} in {t.direction}" for t in worn.trends if t.scatter_factor > 1]
    if loose:
        told.append(
            f"Of {', '.join(loose)} the checks scatter more than they say; the intervals are "
            "widened for it."
        )
    if worn.directions_diverge:
        told.append("One direction widens while the other narrows: look at both.")
    return [str(clean(one)) for one in told]


def _trend(trend: Trend, worn: Wear, lengths: Lengths) -> str:
    name = f"{trend.name.capitalize()} in {trend.direction}"
    if trend.now_um is None or trend.slope is None:
        return f"{name}: no line yet, {trend.problem}."
    now, expanded = lengths.value(trend.now_um, 2 * (trend.u_now_um or 0.0))
    per = "1000 uses" if worn.by_uses else "year"
    low, high = (
        _signed(lengths, one, trend) for one in (trend.slope_low or 0.0, trend.slope_high or 0.0)
    )
    text = (
        f"{name}: {now} ± {expanded} {lengths.unit} now by its line, "
        f"{_signed(lengths, trend.slope, trend)} {lengths.unit} per {per} (95 %: {low} to {high})"
    )
    if trend.reached_already:
        return f"{text}; it is {trend.position} already."
    if trend.reach is None:
        return f"{text}; {trend.problem}." if trend.problem else f"{text}."
    return f"{text}. {_reach(trend.reach, worn)}"


def _signed(lengths: Lengths, slope: float, trend: Trend) -> str:
    """A slope with its sign, as far as its own interval carries."""
    half = ((trend.slope_high or 0.0) - (trend.slope_low or 0.0)) / 2
    value, _ = lengths.value(slope, half or None)
    text = value or digits(lengths.scaled(slope)) or ""
    return text if text.startswith("−") or slope <= 0 else f"+{text}"


def _reach(reach: Reach, worn: Wear) -> str:
    unit = "uses" if worn.by_uses else "days"
    text = (
        f"Its limit less the guard band is reached after {reach.at:.0f} {unit} in all "
        f"(95 %: {reach.low:.0f} to {reach.high:.0f})"
    )
    if worn.places and reach.at - worn.places[-1] > 3 * (worn.places[-1] - worn.places[0]):
        text += ", far beyond what was observed: read it as not soon"
    if reach.day is None:
        return f"{text}; the rate of use is not known."
    return f"{text}, about {reach.day} ({reach.day_low} to {reach.day_high})."
