"""The chart of own checks against certificates of outside laboratories."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.quality.certificate_rules import Comparison, conclusion
from sieve_registry.report.charts import INK, mark, shortened, standalone, svg_of

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_NAMED = 12  # more comparisons than this have their number below the axis, not their names


def comparisons_svg(made: Sequence[Comparison], within_days: int = 30) -> str:
    """`comparisons_chart` as a file that stands alone."""
    return standalone(comparisons_chart(made, within_days))


def comparisons_chart(made: Sequence[Comparison], within_days: int = 30) -> Markup:
    """Differences with the U of both, and E_n between its bounds, one place per comparison.

    `made` are comparisons with an E_n, in the order of their certificates. Above: own mean less
    the certified mean in percent of it; the bar is the U (k = 2) of both together. Below: E_n; what
    lies outside -1 to 1 is hatched.
    """

    def draw(figure: Figure) -> None:
        figure.set_layout_engine("constrained")
        above, below = figure.subplots(2, 1, sharex=True)
        _differences(above, made)
        _e_numbers(below, made)
        names = [_name(comparison) for comparison in made]
        if len(made) > _NAMED:
            below.set_xlabel("comparisons by date of the certificate")
        else:
            below.set_xticks(range(len(made)), names, fontsize=8)

    return svg_of(draw, (7.1, 3.9), "comparisons", f"E_n by date. {conclusion(made, within_days)}")


def _name(comparison: Comparison) -> str:
    sieve = shortened(comparison.certificate.subject, 12)
    return f"{sieve}\n{comparison.certificate.on_date}"


def _differences(axes: Axes, made: Sequence[Comparison]) -> None:
    for place, comparison in enumerate(made):
        for part in comparison.directions:
            of = 100 / part.certified_um
            both = (part.own_expanded_um**2 + part.certified_expanded_um**2) ** 0.5
            shape, at = _shape(part.direction, place)
            mark(axes, at, of * part.difference_um, shape, yerr=of * both, capsize=3, markersize=5)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set_ylabel("own − certified, %")


def _e_numbers(axes: Axes, made: Sequence[Comparison]) -> None:
    numbers = []
    for place, comparison in enumerate(made):
        for part in comparison.directions:
            shape, at = _shape(part.direction, place)
            mark(axes, at, part.e_n, shape, markersize=5)
            numbers.append(abs(part.e_n))
    top = max([1.4, *(1.1 * number for number in numbers)])
    for low, high in ((1.0, top), (-top, -1.0)):
        axes.axhspan(low, high, facecolor="none", edgecolor="#767676", hatch="///", linewidth=0)
        axes.axhline(low if low > 0 else high, color=INK, linewidth=1.8)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set_ylim(-top, top)
    axes.set_xlim(-0.6, len(made) - 0.4)
    axes.set_ylabel("E_n (circle: x, square: y)")


def _shape(direction: str, place: int) -> tuple[str, float]:
    return ("o", place - 0.07) if direction == "x" else ("s", place + 0.07)
