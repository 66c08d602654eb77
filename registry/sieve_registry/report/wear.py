"""The wear of a sieve: its chart with the forecast, a sentence for each trend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_registry.outlook.cloth_history import part_index
from sieve_registry.outlook.straight_line import Fit
from sieve_registry.outlook.wear import Reach, Trend, Wear, WearEvidence, lines_of
from sieve_registry.report.charts import INK, mark, standalone, svg_of
from sieve_registry.report.formatting import Lengths, clean, digits

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sieve_registry.outlook.queries import Outlook

Float = NDArray[np.float64]
_CROWDED = 40  # more checks than this are drawn finer
_AHEAD = 1.5  # range of the forecast, as a share of the observed range


def wear_svg(seen: Outlook) -> str:
    """`wear_chart` as a file that stands alone."""
    label = f"Mean aperture of sieve {seen.wear.sieve_id} against {wear_axis(seen.wear)}"
    return standalone(wear_chart(seen, label))


def wear_axis(worn: Wear) -> str:
    """The horizontal axis of the wear."""
    return "uses" if worn.by_uses else "days since the first check"


@dataclass(frozen=True, eq=False)
class _Ahead:
    """A trend at the places `t` (n,) with half its 95 % band, in um.

    `by_means` is the same for the line through the means where the trend is that of the changes.
    """

    trend: Trend
    t: Float
    value: Float
    half: Float
    by_means: tuple[Float, Float] | None


def wear_chart(seen: Outlook, label: str) -> Markup:
    """The means of both directions against uses (days), with their trends and forecasts.

    Bars are U (k = 2). The grey bands are 95 % intervals of the trends, the diamonds with bars the
    95 % intervals of reaching the acceptance limit; the thin vertical line is the day of the
    outlook. Lengths in the unit of the sieve.
    """
    worn = seen.wear
    lengths = Lengths(seen.data.state.sieve.nominal_um)
    lines = [line for t in worn.trends if (line := _ahead(seen, t)) is not None]

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for line in lines:
            _line(axes, line, lengths)
        for direction in "xy":
            _points(axes, worn, direction, lengths)
        bounds = [bound for d in "xy" if (bound := seen.data.bounds.get(("mean", d)))]
        for limit in dict.fromkeys(limit for b in bounds for limit in (b.low, b.high)):
            if limit is not None:
                _limit(axes, limit, lengths)
        for step in worn.steps:
            if not step.new_cloth:
                place = _place_of(worn, step.seq)
                axes.axvline(place, color=INK, linewidth=0.8, linestyle=":")
        if lines:
            axes.axvline(worn.at, color=INK, linewidth=0.6)
            # A longer interval leaves the chart.
            axes.set_xlim(right=1.02 * max(float(line.t[-1]) for line in lines))
        axes.set_xlabel(wear_axis(worn))
        axes.set_ylabel(f"mean aperture, {lengths.unit}")
        figure.subplots_adjust(left=0.1, right=0.98, bottom=0.16, top=0.95)

    return svg_of(draw, (7.1, 3.4), "wear", label)


def _limit(axes: Axes, limit_um: float, lengths: Lengths) -> None:
    at = lengths.scaled(limit_um)
    axes.axhline(at, color=INK, linewidth=1.8)
    axes.annotate(
        f"limit {at:.6g}", (0.0, at), (4, 2), xycoords=("axes fraction", "data"),
        textcoords="offset points", fontsize=8,
    )  # fmt: skip


def _place_of(worn: Wear, seq: int) -> float:
    """The place between the checks on either side of a step."""
    before = [t for t, c in zip(worn.places, worn.checks, strict=True) if c.seq < seq]
    after = [t for t, c in zip(worn.places, worn.checks, strict=True) if c.seq > seq]
    sides = [max(before, default=None), min(after, default=None)]
    both = [t for t in sides if t is not None]
    return float(np.mean(both)) if both else worn.at


def _points(axes: Axes, worn: Wear, direction: str, lengths: Lengths) -> None:
    style = {"markersize": 5, "capsize": 3, "linewidth": 1.0}
    if len(worn.checks) > _CROWDED:
        style = {"markersize": 2.5, "capsize": 0, "linewidth": 0.4}
    shape = "o" if direction == "x" else "s"
    shift = 0.004 * (max(worn.places, default=0.0) or 1.0) * (-1 if direction == "x" else 1)
    other = "^" if direction == "x" else "v"
    own = [(shape, *pair) for pair in zip(worn.places, worn.checks, strict=True)]
    pairs = zip(worn.certificate_places, worn.certificates, strict=True)
    for form, t, check in (*own, *((other, *pair) for pair in pairs)):
        figures = check.x if direction == "x" else check.y
        expanded = 2 * float(figures.u_mean_um or 0)
        mark(
            axes, t + shift, lengths.scaled(float(figures.mean_um)), form,
            yerr=lengths.scaled(expanded), zorder=4, **style,
        )  # fmt: skip


def _ahead(seen: Outlook, trend: Trend) -> _Ahead | None:
    """The trend of a mean up to its forecast, fitted like the forecast; None without a trend."""
    if trend.name != "mean" or trend.slope is None:
        return None
    worn = seen.wear
    lines = lines_of(worn, "mean", trend.direction)
    by_changes = trend.evidence == WearEvidence.CHANGES
    line = lines.changes if by_changes else lines.means
    if line is None:
        return None
    parts = [part_index(check, worn.steps) for check in worn.checks]
    first = min((*worn.certificate_places, *worn.places))
    behind = max(worn.at - first, 1.0)
    wanted = worn.at + 0.5 * behind if trend.reach is None else trend.reach.high
    end = min(max(wanted, worn.at), worn.at + _AHEAD * behind)
    last = [t for t, part in zip(worn.places, parts, strict=True) if part == parts[-1]]
    start = min(last, default=first)
    shown = np.linspace(start, end, 41)
    by_means = lines.means if by_changes else None
    other = None if by_means is None else _band(by_means, shown)
    return _Ahead(trend, shown, *_band(line, shown), by_means=other)


def _band(line: Fit, t: Float) -> tuple[Float, Float]:
    """The last part's line at t (n,) and half its 95 % interval."""
    rows = np.zeros((len(t), len(line.beta)))
    rows[:, -2], rows[:, -1] = 1.0, t
    pairs = [line.at(row) for row in rows]
    return np.array([p[0] for p in pairs]), line.quantile * np.array([p[1] for p in pairs])


def _line(axes: Axes, line: _Ahead, lengths: Lengths) -> None:
    unit = lengths.scaled(1.0)
    style = "-" if line.trend.direction == "x" else "--"
    low, high = (line.value - line.half) * unit, (line.value + line.half) * unit
    axes.fill_between(line.t, low, high, facecolor="#d0d0d0", alpha=0.55, linewidth=0)
    for edge in (low, high):
        axes.plot(line.t, edge, style, color="#767676", linewidth=0.6)
    axes.plot(line.t, line.value * unit, style, color=INK, linewidth=1.2)
    if line.by_means is not None:
        value, half = line.by_means
        axes.plot(line.t, value * unit, ":", color=INK, linewidth=1.4)
        for edge in (value - half, value + half):
            axes.plot(line.t, edge * unit, ":", color="#767676", linewidth=0.8)
    reach = line.trend.reach
    if reach is not None and reach.at <= line.t[-1]:
        spread = [[reach.at - reach.low], [reach.high - reach.at]]
        mark(axes, reach.at, reach.limit_um * unit, "D", xerr=spread, markersize=4, capsize=4)


def wear_view(seen: Outlook, lengths: Lengths) -> dict[str, Any]:
    """Chart and sentences of an outlook with at least one check."""
    worn = seen.wear
    sentences = _sentences(worn, lengths)
    label = (
        f"Mean apertures of sieve {clean(worn.sieve_id)} in {lengths.unit} against "
        f"{wear_axis(worn)}, {len(worn.checks)} checks. {' '.join(sentences)}"
    )
    return {
        "svg": wear_chart(seen, label),
        "sentences": sentences,
        "as_of": worn.as_of.isoformat(),
        "axis": wear_axis(worn),
        "certificates": len(worn.certificates),
        "lines": any(t.slope is not None for t in worn.trends if t.name == "mean"),
        "by_changes": any(t.evidence == WearEvidence.CHANGES for t in worn.trends),
    }


def _sentences(worn: Wear, lengths: Lengths) -> list[str]:
    sentences = []
    for trend in worn.trends:
        if trend.name == "mean":
            sentences += [_trend(trend, worn, lengths), wear_evidence(trend, worn, lengths)]
    first = worn.first
    if first is not None and first.name != "mean":
        sentences.append(_trend(first, worn, lengths))
    sentences += wear_remarks(worn)
    return [str(clean(text)) for text in sentences if text]


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
    return f"{text}. It reaches the acceptance limit {reach_text(trend.reach, worn)}"


def wear_evidence(trend: Trend, worn: Wear, lengths: Lengths) -> str:
    """What a trend is drawn through where that is not the means, and what these say."""
    means = trend.by_means
    if means is None:
        return ""
    text = (
        f"Mean in {trend.direction}: by {trend.changes} {trend.evidence} since earlier checks; "
        "by the means alone"
    )
    if means.slope is None:
        return f"{text}: {means.problem}."
    low, high = (_signed(lengths, s or 0.0, means) for s in (means.slope_low, means.slope_high))
    per = "1000 uses" if worn.by_uses else "year"
    slope = f"{_signed(lengths, means.slope, means)} {lengths.unit} per {per}"
    problem = f"; {means.problem}" if means.problem else ""
    return f"{text} {slope} (95 %: {low} to {high}){problem}."


def _signed(lengths: Lengths, slope: float, trend: Trend) -> str:
    """A slope with its sign, rounded by its interval."""
    half = ((trend.slope_high or 0.0) - (trend.slope_low or 0.0)) / 2
    value, _ = lengths.value(slope, half or None)
    text = value or digits(lengths.scaled(slope)) or ""
    return text if text.startswith("−") or slope <= 0 else f"+{text}"


def reach_text(reach: Reach, worn: Wear) -> str:
    """When the acceptance limit is reached, as the end of a sentence."""
    unit = "uses" if worn.by_uses else "days"
    text = f"after {reach.at:.0f} {unit} in total (95 %: {reach.low:.0f} to {reach.high:.0f})"
    if worn.places and reach.at - worn.places[-1] > 3 * (worn.places[-1] - worn.places[0]):
        text += ", far beyond the observed range: not soon"
    if reach.day is None:
        return f"{text}; the rate of use is not known."
    rate = f" at {worn.rate_per_year:.0f} uses a year" if worn.rate_per_year else ""
    return f"{text}, about {reach.day} ({reach.day_low} to {reach.day_high}){rate}."


def wear_remarks(worn: Wear) -> list[str]:
    """Steps of the trend, scatter beyond the uncertainty, and directions that diverge."""
    sentences = [
        f"On {step.on_date}: {step.reason}; "
        + ("the trend starts again." if step.new_cloth else "the level may differ from then on.")
        for step in worn.steps
    ]
    for laboratory in dict.fromkeys(c.scale_source for c in worn.certificates):
        sentences.append(
            f"Certificates of {laboratory} have a level of their own: their difference from your "
            "checks is that of two instruments and does not read as wear."
        )
    if worn.exchanged:
        sentences.append(
            f"By its cloth {', '.join(worn.exchanged)} lay a quarter turn from the earlier checks: "
            "its x and y are exchanged here."
        )
    widened = [f"{t.name} in {t.direction}" for t in worn.trends if t.scatter_factor > 1]
    if widened:
        sentences.append(
            f"The results of {', '.join(widened)} vary more than their uncertainty; the intervals "
            "are widened accordingly."
        )
    if worn.directions_diverge:
        sentences.append("One direction widens while the other narrows: inspect both.")
    return sentences
