"""Odd and even gaps: whether they differ, and a chart of both where they do.

A weaving comb with uneven teeth makes every second gap wider. Gaps are taken as independent. Each
field numbers its gaps anew, so in each the wider half is compared with the narrower half.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_registry.report.charts import INK, svg_of
from sieve_registry.report.formatting import Lengths
from sieve_registry.report.view import Apertures, CheckView

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

Float = NDArray[np.float64]
_SIGNIFICANT = 3.0  # standard errors that a difference of either sign has to exceed
_FEWEST = 4  # gaps of either kind


@dataclass(frozen=True, eq=False)
class Halves:
    """Widths (n,) in um of the apertures in the wider and in the narrower gaps of a direction."""

    direction: str
    wider: Float
    narrower: Float

    @property
    def difference_um(self) -> float:
        """Difference of the means of the two halves."""
        return float(self.wider.mean() - self.narrower.mean())


def halves_of(apertures: Apertures | None, direction: str) -> Halves | None:
    """The two halves where they differ significantly, else None."""
    if apertures is None or apertures.places is None:
        return None
    places, measured = apertures.places, apertures.measured(direction)
    gap = places.column if direction == "x" else places.row
    wider, narrower, highest = [], [], 0.0
    for image in np.unique(places.image[measured]):
        here = measured & (places.image == image)
        width, number = apertures.all_widths(direction)[here], gap[here]
        odd = number % 2 == 1
        means = [_gap_means(width[half], number[half]) for half in (odd, ~odd)]
        if min(map(len, means)) < _FEWEST:
            continue
        error = math.sqrt(sum(float(half.var(ddof=1)) / len(half) for half in means))
        apart = float(means[0].mean() - means[1].mean())
        highest = max(highest, abs(apart) / error if error > 0 else 0.0)
        wider.append(width[odd] if apart > 0 else width[~odd])
        narrower.append(width[~odd] if apart > 0 else width[odd])
    if highest <= _SIGNIFICANT:
        return None
    return Halves(direction, np.concatenate(wider), np.concatenate(narrower))


def _gap_means(width: Float, number: NDArray[np.intp]) -> Float:
    return np.array([width[number == gap].mean() for gap in np.unique(number)])


def gaps_svg(halves: Halves, unit: str, label: str) -> Markup:
    """Histogram of the widths of both halves."""
    per = 1000.0 if unit == "mm" else 1.0

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        every = np.concatenate([halves.wider, halves.narrower]) / per
        edges = np.histogram_bin_edges(every, min(40, max(10, round(len(every) ** 0.5)))).tolist()
        axes.hist(
            halves.narrower / per, edges, facecolor="#d9d9d9", edgecolor=INK, linewidth=0.6,
            label="narrower gaps",
        )  # fmt: skip
        axes.hist(
            halves.wider / per, edges, histtype="step", edgecolor=INK, linewidth=1.8,
            label="wider gaps",
        )  # fmt: skip
        axes.set_xlabel(f"width in {halves.direction}, {unit}")
        axes.set_ylabel("apertures")
        axes.legend(frameon=False, fontsize=8.5)
        figure.subplots_adjust(left=0.085, right=0.99, bottom=0.22, top=0.97)

    return svg_of(draw, (7.1, 2.0), f"gaps-{halves.direction}", label)


def gap_charts(check: CheckView, lengths: Lengths) -> list[dict[str, Any]]:
    """A chart for each direction whose odd and even gaps differ."""
    charts = []
    for direction in "xy":
        halves = halves_of(check.apertures, direction)
        if halves is None:
            continue
        expanded = check.expanded(direction, "mean_um").U_um
        apart, _ = lengths.value(halves.difference_um, expanded)
        caption = (
            f"The means of odd and even gaps differ in {direction} by {apart} {lengths.unit} "
            f"({len(halves.wider)} and {len(halves.narrower)} apertures)."
        )
        svg = gaps_svg(halves, lengths.unit, f"Histogram of both kinds of gaps. {caption}")
        charts.append({"svg": svg, "caption": caption})
    return charts
