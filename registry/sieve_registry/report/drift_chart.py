"""The scale history of a device as an SVG file: black ink, x and y differ in shape."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.report.charts import INK, standalone, svg_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sieve_registry.scales.calibrations import KeptScale

__all__ = ["drift_svg"]


def drift_svg(history: Sequence[KeptScale]) -> str:
    """Each scale against its day, as a change from the first in percent; bars are U (k = 2).

    Dashed lines: the change that the uncertainties of two scales explain.
    """
    first = history[0]

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        days = [(kept.on_date - first.on_date).days for kept in history]
        for place, mark in enumerate("os"):
            base = first.um_per_px[place]
            change = [100 * (kept.um_per_px[place] / base - 1) for kept in history]
            bars = [200 * kept.u_rel[place] for kept in history]
            axes.errorbar(
                days, change, bars, fmt=mark, color=INK, markerfacecolor="white", capsize=3
            )
        limit = 200 * 2**0.5 * max(first.u_rel)
        for level in (-limit, limit):
            axes.axhline(level, color=INK, linewidth=1.0, linestyle="--")
        axes.set_xlabel(f"days since {first.on_date}")
        axes.set_ylabel("change of scale, % (circle: x, square: y)")
        figure.subplots_adjust(left=0.12, right=0.98, bottom=0.16, top=0.95)

    return standalone(
        svg_of(draw, (7.1, 3.4), "drift", f"Scale of device {first.device} over time")
    )
