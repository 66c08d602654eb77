"""A calibration as tables and sentences for a person, within 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.cli.support import output

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.calibration import Calibration
    from sieve_inspect.scale.edge_bias import BiasRow


def print_calibration(calibration: Calibration | LineCalibration) -> None:
    """Figures with U (k = 2), the budgets, how well the marks fit, and warnings."""
    from sieve_inspect.scale.artefact.line_bias import LineCalibration

    if isinstance(calibration, LineCalibration):
        _print_figures(calibration.scale, with_bias=True)
        output.line()
        _print_bias_budget(calibration.bias_budget)
        _print_line_fit(calibration)
    else:
        _print_figures(calibration.scale, with_bias=calibration.artefact.gap_um is not None)
        output.line()
        _print_budget(calibration)
        _print_bias_budget(calibration.bias_budget)
        _print_marks_fit(calibration)
    for warning in calibration.warnings:
        output.text(f"warning: {warning}", "  ")


def _print_figures(scale: Scale, *, with_bias: bool) -> None:
    x, y = scale.um_per_px_x, scale.um_per_px_y
    rows = [
        ("x", f"{x:.5f}", f"{2 * scale.u_rel_x * x:.5f}", "um per px"),
        ("y", f"{y:.5f}", f"{2 * scale.u_rel_y * y:.5f}", "um per px"),
        ("shear", f"{scale.shear_deg:.4f}", f"{2 * scale.u_shear_deg:.4f}", "degrees"),
    ]
    if with_bias:
        bias, expanded = scale.edge_bias_px, 2 * scale.u_edge_bias_in_use_px
        rows.append(("edge bias", f"{bias:.4f}", f"{expanded:.4f}", "px each edge"))
    output.table("Scale", {"figure": "", "value": ">", "U (k = 2)": ">", "unit": ""}, rows)


def _print_budget(calibration: Calibration) -> None:
    rows = [(row.name, row.u_rel_x, row.u_rel_y) for row in calibration.budget]
    columns = {"source": "", "x": ">.2e", "y": ">.2e"}
    output.table("Budget, relative standard uncertainty", columns, rows)
    output.line()


def _print_bias_budget(rows: Sequence[BiasRow]) -> None:
    if rows:
        cells = [(row.name, row.u_px) for row in rows]
        title = "Budget of the edge bias, standard uncertainty"
        output.table(title, {"source": "", "px": ">.4f"}, cells)
        output.line()


def _print_marks_fit(calibration: Calibration) -> None:
    rms_um = calibration.residual_rms_um
    output.line(
        f"{calibration.marks_used} of {calibration.marks} marks, residuals {rms_um:.3g} um rms "
        f"({rms_um / calibration.um_per_px:.3f} px)"
    )
    output.line(
        f"distortion {calibration.distortion_percent:.2f} %, "
        f"map at most {calibration.rest_max_um:.3g} um"
    )


def _print_line_fit(calibration: LineCalibration) -> None:
    count = len(calibration.line_pictures)
    pictures = "1 picture" if count == 1 else f"{count} pictures"
    rms_um = calibration.residual_rms_um
    output.line(f"{calibration.marks_used} pieces of the line in {pictures},")
    output.line(
        f"off a straight line by {rms_um:.3g} um rms ({rms_um / calibration.um_per_px:.3f} px)"
    )
