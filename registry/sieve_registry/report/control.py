"""The control chart of a check standard as a picture: its means, centre line and limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.quality.control_chart import ControlChart
from sieve_registry.report.charts import INK, mark, standalone, svg_of
from sieve_registry.report.formatting import Lengths, clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def control_svg(sieve_id: str, charts: Sequence[ControlChart], nominal_um: float) -> str:
    """The charts of both directions below each other, as an SVG file.

    Full points belong to the base that set the limits; a square around a point is an alarm.
    """
    lengths = Lengths(nominal_um)

    def draw(figure: Figure) -> None:
        panels = figure.subplots(len(charts), 1, sharex=True, squeeze=False)[:, 0]
        for axes, chart in zip(panels, charts, strict=True):
            _panel(axes, chart, lengths)
        panels[-1].set_xlabel("date of the check")
        figure.subplots_adjust(left=0.12, right=0.86, bottom=0.12, top=0.97, hspace=0.12)

    alarms = sum(len(chart.alarms) for chart in charts)
    label = (
        f"Control chart of sieve {clean(sieve_id)}: means in x and y with centre line and limits "
        f"at 3 σ, {alarms} {'alarm' if alarms == 1 else 'alarms'}"
    )
    return standalone(svg_of(draw, (7.1, 4.6), "control", label))


def _panel(axes: Axes, chart: ControlChart, lengths: Lengths) -> None:
    days = [point.on_date.toordinal() for point in chart.points]
    values = [lengths.scaled(point.value_um) for point in chart.points]
    axes.plot(days, values, "-", color="#767676", linewidth=0.8)
    for day, value, point in zip(days, values, chart.points, strict=True):
        shape = "o" if chart.direction == "x" else "s"
        mark(axes, day, value, shape, markersize=5, zorder=4)
        if point.base:
            axes.plot([day], [value], shape, color=INK, markersize=3, zorder=5)
        if point.alarms:
            axes.plot(
                [day], [value], "s", color=INK, markerfacecolor="none", markersize=12,
                markeredgewidth=1.6, zorder=5,
            )  # fmt: skip
            axes.annotate(
                "; ".join(point.alarms), (day, value), (0, 9), textcoords="offset points",
                ha="right", fontsize=7.5,
            )  # fmt: skip
    if chart.limits_um is not None and chart.centre_um is not None:
        lines = ((chart.centre_um, "centre", 1.0), *((v, "3 σ", 1.8) for v in chart.limits_um))
        for level, name, width in lines:
            at = lengths.scaled(level)
            axes.axhline(at, color=INK, linewidth=width, linestyle="--" if width < 1.5 else "-")
            axes.annotate(
                f"{name} {at:.5g}", (1.0, at), (4, 0), xycoords=("axes fraction", "data"),
                textcoords="offset points", va="center", fontsize=8,
            )  # fmt: skip
    _dates(axes)
    axes.set_ylabel(f"mean in {chart.direction}, {lengths.unit}")
    axes.margins(y=0.15)


def _dates(axes: Axes) -> None:
    """Days as dates, few enough to read."""
    from datetime import date

    from matplotlib.ticker import FuncFormatter, MaxNLocator

    def written(day: float, _: int | None) -> str:
        return date.fromordinal(round(day)).isoformat() if day >= 1 else ""

    axes.xaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.xaxis.set_major_formatter(FuncFormatter(written))
