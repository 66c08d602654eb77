"""The chart of a size distribution at the nominal and measured apertures of sieves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.quality.curves import Curve
from sieve_registry.quality.effects import SieveEffect
from sieve_registry.report.charts import INK, standalone, svg_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["effect_svg"]


def effect_svg(curve: Curve, effects: Sequence[SieveEffect]) -> str:
    """Percent passing over size: the distribution, nominal apertures, measured ones with U."""
    names = ", ".join(effect.sieve_id for effect in effects)
    label = f"Percent passing at nominal and measured apertures of {names}"

    from matplotlib.ticker import LogLocator, NullFormatter

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.plot(curve.sizes, curve.percents, "-", color=INK, linewidth=1.2)
        axes.set_xscale("log")
        for effect in effects:
            axes.plot(
                effect.nominal_um,
                effect.at_nominal,
                "o",
                color=INK,
                markerfacecolor="white",
                markersize=7,
            )
            axes.errorbar(
                effect.mean_um,
                effect.main.percent,
                xerr=effect.U_mean_um,
                yerr=effect.main.U_percent,
                fmt="D",
                color=INK,
                markersize=4,
                capsize=3,
            )
            axes.annotate(
                effect.sieve_id[:20],
                (effect.nominal_um, effect.at_nominal),
                (7, -9),
                textcoords="offset points",
                fontsize=8.5,
            )
        axes.set_xlabel("size, um (circle: nominal; diamond: measured, with U)")
        axes.set_ylabel("passing, %")
        axes.set_ylim(-2, 102)
        axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        axes.xaxis.set_major_formatter("{x:g}")
        axes.xaxis.set_minor_formatter(NullFormatter())
        figure.subplots_adjust(left=0.09, right=0.98, bottom=0.16, top=0.96)

    return standalone(svg_of(draw, (7.1, 3.6), "effect", label))
