"""Charts of what is foreseen, as SVG files: plain ink, told apart by shape and line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sieve_registry.report.charts import _INK, _svg
from sieve_registry.rules.wear import Trend, Wear

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sieve_registry.foresee import Outlook

__all__ = ["standalone", "wear_svg"]

_NAMESPACES = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '


def standalone(svg: str) -> str:
    """An `<svg>` made for a page, as a file that stands alone."""
    return svg.replace("<svg ", _NAMESPACES, 1) + "\n"


def wear_svg(found: Outlook) -> str:
    """The means of both directions against uses (days), with their lines and where they lead.

    Bars are U (k = 2); the bar on the limit less the guard band is the 95 % interval of the
    moment it is reached.
    """
    worn = found.wear
    label = f"Mean aperture of sieve {worn.sieve_id} against {_axis(worn)}"

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for direction in "xy":
            _points(axes, worn, direction)
        for trend in worn.trends:
            if trend.name == "mean" and trend.slope is not None:
                _line(axes, worn, trend)
        for low, high in {found.story.bounds.get(("mean", d), (None, None)) for d in "xy"}:
            for limit in (low, high):
                if limit is not None:
                    axes.axhline(limit, color=_INK, linewidth=1.8)
        for step in worn.steps:
            if not step.new_cloth:
                place = _place_of(worn, step.seq)
                axes.axvline(place, color=_INK, linewidth=0.8, linestyle=":")
        axes.set_xlabel(_axis(worn))
        axes.set_ylabel("mean aperture, um (circle: x, square: y)")
        figure.subplots_adjust(left=0.1, right=0.98, bottom=0.16, top=0.95)

    return standalone(_svg(draw, (7.1, 3.4), "wear", label))


def _axis(worn: Wear) -> str:
    return "uses" if worn.by_uses else "days since the first check"


def _place_of(worn: Wear, seq: int) -> float:
    """Between the checks on either side of a step."""
    before = [t for t, c in zip(worn.places, worn.checks, strict=True) if c.seq < seq]
    after = [t for t, c in zip(worn.places, worn.checks, strict=True) if c.seq > seq]
    sides = [max(before, default=None), min(after, default=None)]
    known = [t for t in sides if t is not None]
    return float(np.mean(known)) if known else worn.at


def _points(axes: Axes, worn: Wear, direction: str) -> None:
    shift = 0.004 * (max(worn.places, default=0.0) or 1.0) * (-1 if direction == "x" else 1)
    for t, check in zip(worn.places, worn.checks, strict=True):
        figures = check.x if direction == "x" else check.y
        axes.errorbar(
            t + shift,
            float(figures.mean_um),
            yerr=2 * float(figures.u_mean_um or 0),
            fmt="o" if direction == "x" else "s",
            color=_INK,
            markerfacecolor="white",
            markersize=5,
            capsize=3,
            linewidth=1.0,
        )


def _line(axes: Axes, worn: Wear, trend: Trend) -> None:
    assert trend.slope is not None
    assert trend.now_um is not None
    per = 1000.0 if worn.by_uses else 365.25
    end = max(worn.at, trend.reach.at if trend.reach else worn.at)
    t = np.array([min(worn.places, default=0.0), end])
    style = "-" if trend.direction == "x" else "--"
    axes.plot(t, trend.now_um + trend.slope * (t - worn.at) / per, style, color=_INK, linewidth=1)
    reach = trend.reach
    if reach is not None:
        spread = [[reach.at - reach.low], [reach.high - reach.at]]
        axes.errorbar(
            reach.at, reach.limit_um, xerr=spread, fmt="D", color=_INK, markersize=4, capsize=4
        )
