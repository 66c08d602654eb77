"""The charts of the report as SVG: black ink; shape, hatch and line differ, never colour."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sieve_registry.quality.curves import Curve
    from sieve_registry.quality.effects import SieveEffect
    from sieve_registry.scales.calibrations import KeptScale

INK = "#1a1a1a"
_LOCK = Lock()
_NAMESPACES = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "text.parse_math": False,  # names may contain $
    "svg.hashsalt": "sieveward",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # only measures texts: the browser has its own font
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.linewidth": 0.5,
    "path.simplify": False,
}
_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


@dataclass(frozen=True)
class IntervalRow:
    """One value with its expanded uncertainty and limits, all in the unit shown."""

    name: str
    direction: str
    value: float
    expanded: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class HistogramData:
    """Widths (n,) of one direction with the lines to draw, all in the unit shown."""

    direction: str
    unit: str
    widths: NDArray[np.float64]
    nominal: float
    mean: float | None
    mean_label: str
    low: float | None = None
    high: float | None = None
    highest: float | None = None


def svg_of(
    draw: Callable[[Figure], None], size: tuple[float, float], prefix: str, label: str
) -> Markup:
    """Draw on a figure of `size` inches; an `<svg>` to include in a page."""
    import matplotlib as mpl
    from markupsafe import Markup, escape
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # Settings of matplotlib are global: one chart at a time, and user settings do not apply.
    with _LOCK, mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        figure = Figure(figsize=size)
        FigureCanvasSVG(figure)
        draw(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", transparent=True, metadata=_NO_METADATA)
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    box = re.search(r'viewBox="[^"]+"', text)
    body = text[text.index(">") + 1 :]
    # Charts share a page: every id is prefixed with the name of its chart.
    body = re.sub(r'\bid="', f'id="{prefix}-', body)
    body = re.sub(r'(xlink:href="#|url\(#)', rf"\g<1>{prefix}-", body)
    head = f'<svg {box[0] if box else ""} role="img" aria-label="{escape(label)}">'
    return Markup(f"{head}<title>{escape(label)}</title>{body.strip()}")


def standalone(svg: str) -> str:
    """An `<svg>` of a page as the text of a file."""
    return str(svg).replace("<svg ", _NAMESPACES, 1) + "\n"


def mark(axes: Axes, x: Any, y: Any, shape: str, **options: Any) -> None:
    """Marks with error bars; the circles of x and the squares of y are hollow."""
    if shape != "D":
        options["markerfacecolor"] = "white"
    axes.errorbar(x, y, fmt=shape, color=INK, **options)


def write_above(axes: Axes, at: float, text: str, points: float, **options: Any) -> None:
    """Write a text above the axes, `points` from their upper edge."""
    axes.annotate(
        text, (at, 1.0), (0, points), xycoords=("data", "axes fraction"),
        textcoords="offset points", **options,
    )  # fmt: skip


def intervals_svg(rows: Sequence[IntervalRow], unit: str, label: str) -> Markup:
    """Every value with its interval against its limits, one panel for each kind of value."""
    names = list(dict.fromkeys(row.name for row in rows))

    def draw(figure: Figure) -> None:
        figure.set_layout_engine("constrained")
        panels = figure.subplots(len(names), 1, squeeze=False)[:, 0]
        for panel, name in zip(panels, names, strict=True):
            _panel(panel, [row for row in rows if row.name == name])
        panels[-1].set_xlabel(unit, fontsize=8.5)

    return svg_of(draw, (7.1, 0.3 + 0.75 * len(names)), "intervals", label)


def _panel(axes: Axes, rows: list[IntervalRow]) -> None:
    rows = sorted(rows, key=lambda row: row.direction)
    limits = sorted({v for row in rows for v in (row.low, row.high) if v is not None})
    for place, row in enumerate(reversed(rows)):
        shape = "o" if row.direction == "x" else "s"
        mark(axes, row.value, place, shape, xerr=row.expanded, markersize=5.5, capsize=4, lw=1.4)
    for limit in limits:
        axes.axvline(limit, color=INK, linewidth=1.8)
        write_above(axes, limit, f"{limit:.6g}", 1.5, ha="center", fontsize=8)
    low = min([row.value - row.expanded for row in rows] + limits)
    high = max([row.value + row.expanded for row in rows] + limits)
    pad = 0.05 * (high - low) or 1.0
    axes.set_xlim(low - pad, high + pad)
    _hatch_outside(axes, rows)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    names = [shortened(f"{row.name} in {row.direction}", 40) for row in reversed(rows)]
    axes.set_yticks(range(len(rows)), names)
    axes.tick_params(axis="x", labelsize=8)
    axes.tick_params(axis="y", labelsize=8.5, left=False)
    axes.spines["left"].set_visible(False)


def shortened(text: str, most: int) -> str:
    """A text of at most `most` characters."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _hatch_outside(axes: Axes, rows: list[IntervalRow]) -> None:
    """Hatch the ranges beyond the limits."""
    left, right = axes.get_xlim()
    ends = [(row.high, right) for row in rows[:1] if row.high is not None]
    ends += [(left, row.low) for row in rows[:1] if row.low is not None]
    for start, stop in ends:
        axes.axvspan(start, stop, facecolor="none", edgecolor="#767676", hatch="///", linewidth=0)


def _bins(data: HistogramData, low: float, high: float) -> list[float]:
    """Edges of equal bins by the rule of Freedman and Diaconis (1981), 12 to 60 over the range."""
    quarter = np.percentile(data.widths, [25, 75])
    width = 2 * (quarter[1] - quarter[0]) / len(data.widths) ** (1 / 3)
    width = min(max(width, (high - low) / 60), (high - low) / 12)
    first = np.floor(low / width) * width
    count = int(np.ceil((high - first) / width)) + 1
    return [float(first + width * i) for i in range(count)]


def span_of(charts: Sequence[HistogramData]) -> tuple[float, float]:
    """A range of widths that shows all data and all lines of several histograms."""
    values = [float(v) for c in charts for v in (c.widths.min(), c.widths.max())]
    values += [value for c in charts for value, *_ in _lines(c)]
    low, high = min(values), max(values)
    pad = 0.04 * (high - low) or 0.02 * abs(low) or 1.0
    return low - pad, high + pad


def histogram_svg(data: HistogramData, span: tuple[float, float], label: str) -> Markup:
    """How many apertures have which width, with the nominal and the limits drawn in."""
    from matplotlib.ticker import MaxNLocator

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        bins = _bins(data, *span)
        _fitted_normal(axes, data.widths, bins)
        hatch = "...." if data.direction == "x" else "\\\\\\\\"
        axes.hist(data.widths, bins, facecolor="#d9d9d9", edgecolor=INK, lw=0.6, hatch=hatch)
        axes.set_xlim(*span)
        _draw_lines(axes, _lines(data), span)
        below = f"width in {data.direction}, {data.unit}"
        if data.mean is not None:
            axes.plot(
                [data.mean], [0], marker="^", color=INK, markersize=9, clip_on=False, zorder=5,
                transform=axes.get_xaxis_transform(),
            )  # fmt: skip
            below += f"   (triangle: {data.mean_label})"
        axes.set_xlabel(below)
        axes.set_ylabel("apertures")
        axes.yaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        # The same frame for both directions, to compare them.
        figure.subplots_adjust(left=0.085, right=0.99, bottom=0.2, top=0.84)

    return svg_of(draw, (7.1, 2.35), f"widths-{data.direction}", label)


def _fitted_normal(axes: Axes, widths: NDArray[np.float64], bins: Sequence[float]) -> None:
    """A normal curve with the mean and spread of the widths, as high as their bars would be."""
    if len(widths) < 3 or float(widths.std()) == 0:
        return
    mean, spread = float(widths.mean()), float(widths.std(ddof=1))
    at = np.linspace(mean - 4 * spread, mean + 4 * spread, 121)
    height = np.exp(-(((at - mean) / spread) ** 2) / 2) / (spread * np.sqrt(2 * np.pi))
    axes.plot(at, height * len(widths) * (bins[1] - bins[0]), color=INK, linewidth=1.4, zorder=4)


_Line = tuple[float, str, tuple[str, float], str]


def _lines(data: HistogramData) -> list[_Line]:
    """Lines to draw: position, label, (dash, width), and the preferred alignment of the label."""
    lines = (
        (data.low, "mean at least", ("--", 1.3), "right"),
        (data.high, "mean at most", ("--", 1.3), "left"),
        (data.nominal, "nominal", ("-.", 1.2), "center"),
        (data.highest, "largest at most", ("-", 2.2), "right"),
    )
    return [
        (at, f"{name} {at:.6g}", dash, side) for at, name, dash, side in lines if at is not None
    ]


def _aligned(at: float, length: float, wanted: str) -> tuple[str, float]:
    """The alignment and start that keep a label of a length on the page."""
    starts = {"right": at - length, "center": at - length / 2, "left": at}
    if starts[wanted] < -0.09:
        wanted = "left"
    elif starts[wanted] + length > 1:
        wanted = "right"
    return wanted, starts[wanted]


def _draw_lines(axes: Axes, lines: list[_Line], span: tuple[float, float]) -> None:
    """Draw each line, its label above the axes on the lowest level that is free."""
    taken: list[tuple[int, float, float]] = []
    for value, text, (dash, width), wanted in lines:
        axes.axvline(value, color=INK, linestyle=dash, linewidth=width)
        length = 0.0112 * len(text)  # share of the axes' width, measured on a printed page
        align, start = _aligned((value - span[0]) / (span[1] - span[0]), length, wanted)
        level = 0
        while any(own == level and start < b and a < start + length for own, a, b in taken):
            level += 1
        taken.append((level, start, start + length))
        write_above(
            axes, value, text, 3 + 11 * level, ha=align, fontsize=8.5, annotation_clip=False
        )


def drift_svg(history: Sequence[KeptScale]) -> str:
    """The scale history of a device as an SVG file: changes from the first in percent.

    Bars are U (k = 2). Dashed lines: the change that the uncertainties of two scales explain.
    """
    first = history[0]

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        days = [(kept.on_date - first.on_date).days for kept in history]
        for place, shape in enumerate("os"):
            base = first.um_per_px[place]
            change = [100 * (kept.um_per_px[place] / base - 1) for kept in history]
            mark(axes, days, change, shape, yerr=[200 * k.u_rel[place] for k in history], capsize=3)
        limit = 200 * 2**0.5 * max(first.u_rel)
        for level in (-limit, limit):
            axes.axhline(level, color=INK, linewidth=1.0, linestyle="--")
        axes.set_xlabel(f"days since {first.on_date}")
        axes.set_ylabel("change of scale, % (circle: x, square: y)")
        figure.subplots_adjust(left=0.12, right=0.98, bottom=0.16, top=0.95)

    label = f"Scale of device {first.device} over time"
    return standalone(svg_of(draw, (7.1, 3.4), "drift", label))


def effect_svg(curve: Curve, effects: Sequence[SieveEffect]) -> str:
    """Percent passing over size as an SVG file: nominal apertures, measured apertures with U."""
    from matplotlib.ticker import LogLocator, NullFormatter

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.plot(curve.sizes, curve.percents, "-", color=INK, linewidth=1.2)
        axes.set_xscale("log")
        for effect in effects:
            nominal, bars = (effect.nominal_um, effect.at_nominal), effect.main
            axes.plot(*nominal, "o", color=INK, markerfacecolor="white", markersize=7)
            mark(
                axes, effect.mean_um, bars.percent, "D", xerr=effect.U_mean_um,
                yerr=bars.U_percent, markersize=4, capsize=3,
            )  # fmt: skip
            axes.annotate(
                effect.sieve_id[:20], nominal, (7, -9), textcoords="offset points", fontsize=8.5
            )
        axes.set_xlabel("size, um (circle: nominal; diamond: measured, with U)")
        axes.set_ylabel("passing, %")
        axes.set_ylim(-2, 102)
        axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        axes.xaxis.set_major_formatter("{x:g}")
        axes.xaxis.set_minor_formatter(NullFormatter())
        figure.subplots_adjust(left=0.09, right=0.98, bottom=0.16, top=0.96)

    names = ", ".join(effect.sieve_id for effect in effects)
    label = f"Percent passing at nominal and measured apertures of {names}"
    return standalone(svg_of(draw, (7.1, 3.6), "effect", label))
