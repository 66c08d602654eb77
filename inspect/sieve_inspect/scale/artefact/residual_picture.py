"""The residuals of a calibration as a picture."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from sieve_inspect.scale.artefact.line_bias import LineCalibration
from sieve_inspect.scale.calibration import Calibration

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ARROWS = 1500


def residuals_png(calibration: Calibration) -> bytes:
    """PNG with two panels over the picture's pixels: residuals of the fit, and the rest map.

    Arrows are enlarged; the key of each panel shows their scale.
    """
    figure = _figure()
    left, right = figure.subplots(1, 2)
    rest = calibration.residual
    step = max(1, len(rest.place) // _ARROWS)
    shown = slice(None, None, step)
    place, vector, used = rest.place[shown], rest.vector[shown], rest.used[shown]
    size = max(float(np.percentile(np.hypot(*rest.vector[rest.used].T), 95)), 1e-6)
    _arrows(left, place[used], vector[used], size, "tab:blue")
    if (~used).any():
        left.plot(*place[~used].T, "x", color="tab:orange", label=f"left out: {(~rest.used).sum()}")
        left.legend(loc="upper right", fontsize="small")
    left.set_title(f"residuals, rms {calibration.residual_rms_um:.3g} um")
    bend = calibration.scale.rest
    moved = np.zeros_like(place) if bend is None else bend(place)
    _arrows(right, place, moved, max(float(np.hypot(*moved.T).max()), 1e-6), "tab:green")
    right.set_title(f"rest map, at most {calibration.rest_max_um:.3g} um")
    for axes in (left, right):
        axes.set_aspect("equal")
        axes.invert_yaxis()
        axes.set_xlabel("x in px")
        axes.set_ylabel("y in px")
    return _png(figure)


def line_png(calibration: LineCalibration) -> bytes:
    """PNG of a line along its length: how straight it is, and its width less the certified."""
    figure = _figure()
    left, right = figure.subplots(1, 2, sharex=True)
    for number, line in enumerate(calibration.line_pictures, 1):
        left.plot(line.along_um, line.off_um, ".", label=f"picture {number}")
        right.plot(line.along_um, line.wider_um, ".")
    left.set_title(f"off a straight line, rms {calibration.residual_rms_um:.3g} um")
    right.set_title("wider than certified")
    for axes in (left, right):
        axes.axhline(0.0, color="0.6", linewidth=0.8)
        axes.set_xlabel("along the line in um")
        axes.set_ylabel("um")
    left.legend(fontsize="small")
    return _png(figure)


def _arrows(axes, place, vector, size: float, colour: str) -> None:  # type: ignore[no-untyped-def]
    """Arrows, enlarged so that `size` um is a twelfth of the picture's extent."""
    extent = max(float(np.ptp(place, axis=0).max()), 1.0)
    drawn = axes.quiver(
        *place.T, *vector.T, angles="xy", scale_units="xy", scale=12 * size / extent, color=colour
    )
    nice = float(f"{size:.1g}")
    axes.quiverkey(drawn, 0.1, 1.05, nice, f"{nice:g} um", labelpos="E")


def _figure() -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 5.2), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=110)
    return out.getvalue()
