"""Accuracy rows: bias and spread against the truth, the bound, and the threshold route.

The uncertainty row counts how often the true mean lies within U = 2u of the measured mean, over
many seeds of a small case. The scale is exact and the truth is that of the apertures measured, so
the budget's lines for scale and sampling are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.summary.statistics import imaging_part
from sieve_inspect.synthetic import Cloth, Optics, Sensor
from sieve_inspect.validation.bound import width_bound
from sieve_inspect.validation.comparison import Compared, compare
from sieve_inspect.validation.drawing import UM_PER_PX, Case, Drawn, draw
from sieve_inspect.validation.model import Group, Row
from sieve_inspect.validation.threshold import region_widths

_FALSE_DAMAGE = 0.001  # share of sound apertures that may be called blocked or torn
SEEDS, SEEDS_QUICK = 30, 4
_WITHIN = 0.85  # 95 % is expected; least share of the 60 means that must lie within U
_COMB_PX = 0.03  # error of the difference between odd and even gaps


@dataclass(frozen=True)
class RowLimits:
    """Limits of a row: |bias| in px; s in px plus a multiple of the bound; coverage 0..1."""

    bias_px: float
    s_px: float = 0.01
    s_per_bound: float = 1.5
    coverage: float = 0.97

    def __str__(self) -> str:
        bound = f"{self.s_per_bound:g} × bound + " if self.s_per_bound else ""
        return (
            f"|bias| ≤ {self.bias_px:g} px, s ≤ {bound}{self.s_px:g} px, "
            f"coverage ≥ {100 * self.coverage:g} %, none false, ≤ 0.1 % called damaged"
        )

    def hold(self, figures: dict[str, float]) -> bool:
        """Whether the figures of an accuracy row keep these limits."""
        return (
            all(
                abs(figures[f"bias_{axis}_px"]) <= self.bias_px
                and figures[f"s_{axis}_px"]
                <= self.s_per_bound * figures[f"bound_{axis}_px"] + self.s_px
                for axis in "xy"
            )
            and figures["coverage"] >= self.coverage
            and figures["false"] == 0
            and figures["alarms"] <= _FALSE_DAMAGE
        )


def limits_of(case: Case, *, clean: bool = False) -> RowLimits:
    """The limits of a case: fixed figures for clean scans, else relative to the bound.

    0.02 px, but 0.04 px where the blur is far from Gaussian or the aperture is under 6 px.
    """
    if clean:
        small = case.cloth.aperture_px < 8
        return RowLimits(0.03, 0.04, 0.0) if small else RowLimits(0.015, 0.02, 0.0)
    hard = case.optics.kind != "gaussian" or min(case.cloth.apertures) < 6
    return RowLimits(0.04 if hard else 0.02)


def accuracy_row(case: Case, folder: Path, limits: RowLimits, group: Group = Group.HARD) -> Row:
    """Draw a case into `folder`, measure it, compare. Raises what `measure` raises."""
    drawn, measurement, compared = measured_case(case, folder)
    f = _figures(case, drawn, measurement, compared)
    true = compared.width[compared.measured].mean(axis=0)
    return Row(
        group=group,
        name=case.name,
        tried=case.tried,
        truth=f"mean {true[0]:.3f}, {true[1]:.3f} px in {compared.truth.sound.sum()} apertures",
        result=(
            f"bias {f['bias_x_px']:+.4f}, {f['bias_y_px']:+.4f} px; "
            f"s {f['s_x_px']:.4f}, {f['s_y_px']:.4f} px "
            f"({f['ratio_x']:.2f}, {f['ratio_y']:.2f} × bound); coverage "
            f"{100 * f['coverage']:.1f} %; {f['false']:.0f} false, "
            f"{100 * f['alarms']:.1f} % called damaged"
        ),
        limit=str(limits),
        holds=limits.hold(f),
        figures={**f, "otsu_bias_px": _threshold_bias(case, drawn, compared)},
        pixels_sha256=(drawn.sha256,),
    )


def measured_case(case: Case, folder: Path) -> tuple[Drawn, Measurement, Compared]:
    """Draw a case into `folder` and measure it. Raises what `measure` raises."""
    drawn = draw(case, folder)
    measurement = measure([drawn.path], nominal_um=case.nominal_um, scale=case.scale)
    return drawn, measurement, compare(measurement, drawn.truth)


def _figures(
    case: Case, drawn: Drawn, measurement: Measurement, compared: Compared
) -> dict[str, float]:
    error = compared.error[compared.measured]
    figures: dict[str, float] = {}
    for axis, name in enumerate("xy"):
        along = (drawn.truth.along_x, drawn.truth.along_y)[axis][0]
        other = float(np.median(compared.width[:, 1 - axis]))
        bound = width_bound(drawn.noise, case.optics, np.array([-along[1], along[0]]), other)
        spread = float(np.std(error[:, axis], ddof=1))
        figures[f"bias_{name}_px"] = float(np.mean(error[:, axis]))
        figures[f"s_{name}_px"] = spread
        figures[f"bound_{name}_px"] = bound
        figures[f"ratio_{name}"] = spread / bound if bound > 0 else math.inf
        largest = float(np.max(compared.width[compared.truth.sound, axis]))
        figures[f"max_error_{name}_px"] = measurement.directions[axis].max_um / UM_PER_PX - largest
        figures[f"u_mean_{name}_px"] = measurement.directions[axis].u_mean_um / UM_PER_PX
    figures["worst_px"] = float(np.max(np.abs(error)))
    figures["coverage"] = compared.coverage
    damaged = np.isin(compared.state[compared.truth.sound], ("blocked", "torn"))
    figures["alarms"] = float(damaged.mean())
    figures["false"] = float(compared.false_count)
    figures["apertures"] = float(len(error))
    figures["noise_percent"] = 100 * drawn.noise
    return figures


def _threshold_bias(case: Case, drawn: Drawn, compared: Compared) -> float | None:
    """Mean width by the threshold route less the truth, px; None where it finds no region."""
    widths = region_widths(drawn.image, bright=case.light.open_level > case.light.wire_level)
    if not len(widths):
        return None
    sound = compared.truth.sound
    true = np.sqrt(compared.truth.width_x_px[sound] * compared.truth.width_y_px[sound])
    return float(widths.mean() - true.mean())


def comb_row(case: Case, folder: Path) -> Row:
    """The difference between odd and even gaps, as measured and as drawn."""
    drawn, measurement, compared = measured_case(case, folder)
    measured = [d.odd_even_um / UM_PER_PX for d in measurement.directions]
    true = []
    for axis, gap in enumerate((drawn.truth.col, drawn.truth.row)):
        width, odd = compared.width[:, axis], gap % 2 == 1
        used = compared.measured
        true.append(abs(float(width[used & odd].mean() - width[used & ~odd].mean())))
    error = [m - t for m, t in zip(measured, true, strict=True)]
    return Row(
        group=Group.COMB,
        name=f"{case.name}-odd-even",
        tried=f"{case.tried}: difference of odd and even gaps",
        truth=f"{true[0]:.3f}, {true[1]:.3f} px",
        result=f"{measured[0]:.3f}, {measured[1]:.3f} px",
        limit=f"within {_COMB_PX:g} px",
        holds=all(abs(e) <= _COMB_PX for e in error),
        figures={"odd_even_error_x_px": error[0], "odd_even_error_y_px": error[1]},
        pixels_sha256=(drawn.sha256,),
    )


def coverage_case(seed: int) -> Case:
    """A small scan: Gaussian blur for even seeds, out of focus for odd ones."""
    optics = Optics("gaussian", 1.0) if seed % 2 == 0 else Optics("disc", 1.6)
    return Case(
        f"honesty-{seed}",
        "",
        Cloth(12.3, 8.1, sd_px=0.4, rotation_deg=2.0 + seed, seed=1000 + seed),
        optics,
        Sensor(noise=0.02, seed=1000 + seed),
        shape=(220, 300),
    )


def coverage_row(folder: Path, seeds: int = SEEDS) -> Row:
    """Count over `seeds` small scans, two means each. Raises what `measure` raises."""
    ratios, hashes = [], []
    for seed in range(seeds):
        drawn, measurement, compared = measured_case(coverage_case(seed), folder)
        bias = compared.error[compared.measured].mean(axis=0)
        for axis, name in enumerate("xy"):
            lines = [c for c in measurement.budget if c.direction == name and c.name != "scale"]
            ratios.append(float(bias[axis]) / (imaging_part(lines) / UM_PER_PX))
        hashes.append(drawn.sha256)
    share = float(np.mean(np.abs(ratios) <= 2))
    return Row(
        group=Group.UNCERTAINTY,
        name="u-of-the-mean",
        tried=f"{seeds} small scans, aperture 12.3 px, Gaussian and disc blur, noise 2 %",
        truth="the true mean lies within U (k = 2) of the measured one",
        result=f"in {100 * share:.0f} % of {len(ratios)} means; errors are {np.std(ratios):.2f} u",
        limit=f"≥ {100 * _WITHIN:.0f} %",
        holds=share >= _WITHIN,
        figures={"within_share": share, "errors_per_u": float(np.std(ratios))},
        pixels_sha256=tuple(hashes),
    )
