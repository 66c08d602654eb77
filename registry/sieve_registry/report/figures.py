"""The charts of a check, and the rows of the table of limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sieve_inspect.outcomes import NOT_JUDGED
from sieve_registry.report.charts import (
    HistogramData,
    IntervalRow,
    histogram_svg,
    intervals_svg,
    span_of,
)
from sieve_registry.report.formatting import (
    MARKS,
    OUTCOME_SENTENCES,
    Lengths,
    clean,
    edition,
    finite,
    sentence,
)
from sieve_registry.report.view import CheckView

if TYPE_CHECKING:
    from markupsafe import Markup


def verdict_view(
    measurement: Mapping[str, Any], verdict: Mapping[str, Any], action: tuple[str, str] | None
) -> dict[str, Any]:
    """Outcome, sentence, reasons and rule of a verdict; `action` replaces its proposal."""
    outcome, rule = str(verdict.get("outcome") or NOT_JUDGED), str(verdict.get("rule") or "")
    first, reasons = OUTCOME_SENTENCES.get((outcome, rule), ""), verdict.get("reasons")
    if outcome not in MARKS or outcome == NOT_JUDGED:
        imaging = measurement.get("imaging") or {}
        reasons = imaging.get("reasons")
        first = "No limits were applied: this check does not judge fitness for use."
        if imaging.get("fit") == "refused":
            first = "The picture quality is too low for a measurement: nothing was judged."
    proposed, why = action or (verdict.get("action"), verdict.get("action_reason"))
    return {
        "outcome": outcome,
        "mark": MARKS.get(outcome, ""),
        "kind": outcome.split(maxsplit=1)[0] if outcome in MARKS else "not",
        "sentence": first,
        "reasons": [sentence(str(reason)) for reason in reasons or ()],
        "action": proposed,
        "action_reason": sentence(str(why or "").removeprefix("Proposed: ")),
        "rule": rule,
        "standard": edition(str(verdict.get("standard") or "")),
        "grade": verdict.get("grade"),
    }


def margin_row(row: Mapping[str, Any], lengths: Lengths) -> dict[str, Any]:
    """A value and its limits as texts, rounded by its U; not judged where unknown."""
    low, high = finite(row.get("limit_low_um")), finite(row.get("limit_high_um"))
    value, expanded = lengths.value(
        row.get("value_um"), row.get("U_um"), [b for b in (low, high) if b is not None]
    )
    allowed = f"at most {lengths.exact(high)}"
    if low is not None:
        allowed = f"{lengths.exact(low)} to {lengths.exact(high)}"
    if high is None:
        allowed = "no limit" if low is None else f"at least {lengths.exact(low)}"
    outcome = str(row.get("outcome"))
    k = finite(row.get("k"))
    if value is None or expanded is None:
        outcome = NOT_JUDGED
    return {
        "name": row.get("name"),
        "direction": row.get("direction"),
        "value": value,
        "expanded": expanded,
        "k": None if k is None else f"{k:.2f}",
        "allowed": allowed,
        "outcome": outcome,
        "mark": MARKS.get(outcome, ""),
    }


def margin_rows(verdict: Mapping[str, Any], lengths: Lengths) -> list[dict[str, Any]]:
    """The rows of the table of limits, both directions of a value together."""
    margins = list(verdict.get("margins") or ())
    names = [margin.get("name") for margin in margins]
    paired = sorted(margins, key=lambda margin: names.index(margin.get("name")))
    return [margin_row(margin, lengths) for margin in paired]


def limits_caption(verdict: Mapping[str, Any], lengths: Lengths) -> str:
    """The caption of the table of limits: the unit, and the meaning of U."""
    listed = any(finite(margin.get("k")) is not None for margin in verdict.get("margins") or ())
    coverage = "about 95 %, k in its own column" if listed else "k = 2, about 95 %"
    return f"Lengths in {lengths.unit}; U is the expanded uncertainty ({coverage})."


def intervals(verdict: Mapping[str, Any], lengths: Lengths) -> Markup | None:
    """The chart of all values with their intervals and limits; None without any."""
    rows, texts = [], []
    for margin in verdict.get("margins") or ():
        keys = ("value_um", "U_um", "limit_low_um", "limit_high_um")
        lengths_um = [finite(margin.get(key)) for key in keys]
        value, expanded, low, high = (um and lengths.scaled(um) for um in lengths_um)
        if value is None or expanded is None or (low is None and high is None):
            continue
        name, direction = (str(clean(str(margin.get(key)))) for key in ("name", "direction"))
        row = margin_row(margin, lengths)
        texts.append(f"{name} in {direction} {row['value']} ± {row['expanded']}")
        rows.append(IntervalRow(name, direction, value, expanded, low, high))
    if not rows:
        return None
    label = (
        "Each value with its expanded uncertainty and its limits, "
        f"in {lengths.unit}: {'; '.join(texts)}."
    )
    return intervals_svg(rows, lengths.unit, label)


def histograms(check: CheckView, lengths: Lengths) -> list[dict[str, Any]]:
    """One histogram per direction ("svg" is None without widths), all on the same range."""
    data = {direction: _histogram(check, direction, lengths) for direction in "xy"}
    drawn = [histogram for histogram in data.values() if histogram is not None]
    return [
        {
            "direction": direction,
            "svg": histogram
            and histogram_svg(histogram, span_of(drawn), _histogram_label(histogram)),
        }
        for direction, histogram in data.items()
    ]


def _histogram(check: CheckView, direction: str, lengths: Lengths) -> HistogramData | None:
    widths = None if check.apertures is None else check.apertures.widths(direction)
    if widths is None or len(widths) == 0:
        return None
    mean = finite(check.summary(direction).get("mean_um"))
    value, expanded = lengths.value(mean, check.expanded(direction, "mean_um").U_um)
    return HistogramData(
        direction=direction,
        unit=lengths.unit,
        widths=widths / (1000 if lengths.unit == "mm" else 1),
        nominal=lengths.scaled(check.sieve.nominal_um),
        mean=None if mean is None else lengths.scaled(mean),
        mean_label=f"mean {value} ± {expanded} {lengths.unit}" if expanded else f"mean {value}",
        **_lines(check.limits, lengths),
    )


def _lines(limits: Mapping[str, Any] | None, lengths: Lengths) -> dict[str, float | None]:
    nominal, y, highest = (finite((limits or {}).get(k)) for k in ("nominal_um", "y_um", "max_um"))
    low = high = None
    if nominal is not None and y is not None:
        low, high = round(nominal - y, 9), round(nominal + y, 9)
    lines = {"low": low, "high": high, "highest": highest}
    return {name: um and lengths.scaled(um) for name, um in lines.items()}


def _histogram_label(data: HistogramData) -> str:
    text = (
        f"Histogram of {len(data.widths)} aperture widths in {data.direction}, from "
        f"{data.widths.min():.4g} to {data.widths.max():.4g} {data.unit}, {data.mean_label}, "
        f"nominal {data.nominal:.6g}"
    )
    if data.low is not None and data.high is not None:
        text += f"; the mean must lie within {data.low:.6g} to {data.high:.6g}"
    if data.highest is not None:
        text += f"; no aperture may exceed {data.highest:.6g} {data.unit}"
    return f"{text}."
