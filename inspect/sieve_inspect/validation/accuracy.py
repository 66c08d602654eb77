"""Accuracy rows: bias and spread against the truth, the bound, and the route with a threshold."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.validation.bound import width_bound
from sieve_inspect.validation.comparison import Compared, compare
from sieve_inspect.validation.drawing import UM_PER_PX, Case, Drawn, draw
from sieve_inspect.validation.model import Row
from sieve_inspect.validation.threshold import blob_widths, has_reference

__all__ = ["Limits", "accuracy_row", "comb_row", "limits_of"]

_ALARMS = 0.001  # share of sound apertures that may be called blocked or torn


@dataclass(frozen=True)
class Limits:
    """What a row has to keep: |bias| and s in px, s beside that as a multiple of the bound."""

    mean_px: float
    s_px: float = 0.01
    s_per_bound: float = 1.5
    coverage: float = 0.97

    def __str__(self) -> str:
        bound = f"{self.s_per_bound:g} × bound + " if self.s_per_bound else ""
        return (
            f"|bias| ≤ {self.mean_px:g} px, s ≤ {bound}{self.s_px:g} px, "
            f"coverage ≥ {100 * self.coverage:g} %, none false, ≤ 0.1 % called damaged"
        )


def limits_of(case: Case, *, clean: bool = False) -> Limits:
    """The limits of a case; `clean` ones are held to fixed figures.

    0.02 px, but 0.04 where the blur is far from Gaussian or the opening is under 6 px.
    """
    if clean:
        return Limits(0.03, 0.04, 0.0) if case.cloth.aperture_px < 8 else Limits(0.015, 0.02, 0.0)
    hard = case.optics.kind != "gaussian" or min(case.cloth.apertures) < 6
    return Limits(0.04 if hard else 0.02)


def accuracy_row(case: Case, folder: Path, limits: Limits, group: str = "accuracy") -> Row:
    """Draw, measure, compare. Raises what `measure` raises."""
    began = time.perf_counter()
    drawn = draw(case, folder)
    measurement = measure([drawn.path], nominal_um=case.nominal_um, scale=case.scale)
    seen = compare(measurement, drawn.truth)
    figures = _figures(case, drawn, measurement, seen)
    biases = [figures[f"bias_{d}_px"] for d in "xy"]
    spreads = [figures[f"s_{d}_px"] for d in "xy"]
    allowed = [limits.s_per_bound * figures[f"bound_{d}_px"] + limits.s_px for d in "xy"]
    holds = (
        all(abs(b) <= limits.mean_px for b in biases)
        and all(s <= a for s, a in zip(spreads, allowed, strict=True))
        and figures["coverage"] >= limits.coverage
        and seen.strays == 0
        and figures["alarms"] <= _ALARMS
    )
    true = seen.width[seen.measured].mean(axis=0)
    return Row(
        group=group,
        name=case.name,
        tried=case.tried,
        truth=f"mean {true[0]:.3f}, {true[1]:.3f} px in {int(seen.truth.sound.sum())} apertures",
        result=(
            f"bias {biases[0]:+.4f}, {biases[1]:+.4f} px; s {spreads[0]:.4f}, {spreads[1]:.4f} px "
            f"({figures['ratio_x']:.2f}, {figures['ratio_y']:.2f} × bound); coverage "
            f"{100 * figures['coverage']:.1f} %; {seen.strays} false, "
            f"{100 * figures['alarms']:.1f} % called damaged"
        ),
        limit=str(limits),
        holds=holds,
        figures={**figures, **_other_route(case, drawn, seen)},
        pixels_sha256=(drawn.sha256,),
        seconds=time.perf_counter() - began,
    )


def _figures(
    case: Case, drawn: Drawn, measurement: Measurement, seen: Compared
) -> dict[str, float]:
    error = seen.error[seen.measured]
    figures: dict[str, float] = {}
    for axis, name in enumerate("xy"):
        along = (drawn.truth.along_x, drawn.truth.along_y)[axis][0]
        other = float(np.median(seen.width[:, 1 - axis]))
        bound = width_bound(drawn.noise, case.optics, np.array([-along[1], along[0]]), other)
        spread = float(np.std(error[:, axis], ddof=1))
        figures[f"bias_{name}_px"] = float(np.mean(error[:, axis]))
        figures[f"s_{name}_px"] = spread
        figures[f"bound_{name}_px"] = bound
        figures[f"ratio_{name}"] = spread / bound if bound > 0 else math.inf
        largest = float(np.max(seen.width[seen.truth.sound, axis]))
        figures[f"max_error_{name}_px"] = measurement.directions[axis].max_um / UM_PER_PX - largest
        figures[f"u_mean_{name}_px"] = measurement.directions[axis].u_mean_um / UM_PER_PX
    figures["worst_px"] = float(np.max(np.abs(error)))
    figures["coverage"] = seen.coverage
    alarmed = np.isin(seen.state[seen.truth.sound], ("blocked", "torn"))
    figures["alarms"] = float(alarmed.mean())
    figures["false"] = float(seen.strays)
    figures["apertures"] = float(len(error))
    figures["noise_percent"] = 100 * drawn.noise
    return figures


def _other_route(case: Case, drawn: Drawn, seen: Compared) -> dict[str, float | None]:
    """Mean of the blobs' widths less the truth, px; None without scikit-image or without blobs."""
    if not has_reference():
        return {"otsu_bias_px": None}
    bright = case.light.open_level > case.light.wire_level
    widths = blob_widths(drawn.image, bright)
    if not len(widths):
        return {"otsu_bias_px": None}
    sound = seen.truth.sound
    true = np.sqrt(seen.truth.width_x_px[sound] * seen.truth.width_y_px[sound])
    return {"otsu_bias_px": float(widths.mean() - true.mean())}


def comb_row(case: Case, folder: Path) -> Row:
    """The difference between odd and even gaps, as measured and as drawn."""
    began = time.perf_counter()
    drawn = draw(case, folder)
    measurement = measure([drawn.path], nominal_um=case.nominal_um, scale=case.scale)
    seen = compare(measurement, drawn.truth)
    found = [d.odd_even_um / UM_PER_PX for d in measurement.directions]
    true = []
    for axis, gap in enumerate((drawn.truth.col, drawn.truth.row)):
        width, odd = seen.width[:, axis], gap % 2 == 1
        ok = seen.measured
        true.append(abs(float(width[ok & odd].mean() - width[ok & ~odd].mean())))
    off = [f - t for f, t in zip(found, true, strict=True)]
    return Row(
        group="comb",
        name=f"{case.name}-odd-even",
        tried=f"{case.tried}: difference of odd and even gaps",
        truth=f"{true[0]:.3f}, {true[1]:.3f} px",
        result=f"{found[0]:.3f}, {found[1]:.3f} px",
        limit="within 0.03 px",
        holds=all(abs(o) <= 0.03 for o in off),
        figures={"odd_even_error_x_px": off[0], "odd_even_error_y_px": off[1]},
        pixels_sha256=(drawn.sha256,),
        seconds=time.perf_counter() - began,
    )
