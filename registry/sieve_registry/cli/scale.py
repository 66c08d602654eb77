"""`sieveward scale`: micrometres per pixel from pictures of a certified artefact."""

from __future__ import annotations

import json as jsonlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, print_table, write_bytes

if TYPE_CHECKING:
    from sieve_inspect.scale.calibration import Calibration

__all__ = ["print_calibration", "scale"]


def scale(
    targets: Annotated[
        list[Path], typer.Argument(metavar="TARGET...", help="Pictures of one artefact.")
    ],
    pattern: Annotated[str, typer.Option(help="dots, checker, grid or rule.")],
    pitch: Annotated[
        str, typer.Option(metavar="L", help="From mark to mark as certified: 500um, 0.5mm.")
    ],
    u_pitch: Annotated[
        str | None, typer.Option(metavar="L", help="Its U (k = 2) from the certificate.")
    ] = None,
    line_width: Annotated[
        str | None,
        typer.Option(metavar="L", help="Certified width of a line (checker: of a dark square)."),
    ] = None,
    u_line_width: Annotated[
        str | None, typer.Option(metavar="L", help="Its U (k = 2) from the certificate.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the scale file here.")
    ] = None,
    source: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Certificate or artefact, as a reference.")
    ] = None,
    encoding: Annotated[
        str, typer.Option(metavar="srgb|linear|auto", help="What the stored numbers mean.")
    ] = "auto",
    region: Annotated[
        str | None,
        typer.Option(metavar="L,T,R,B", help="Where the artefact lies, px of the picture."),
    ] = None,
    turned: Annotated[
        str | None,
        typer.Option(metavar="DEG,...", help="How far it was turned in each picture, roughly."),
    ] = None,
    max_residual: Annotated[
        str | None, typer.Option(metavar="L", help="Refuse above this rms (0.15 px).")
    ] = None,
    residuals: Annotated[
        Path | None, typer.Option(metavar="PNG", help="Write the residuals as a picture.")
    ] = None,
    json: JsonOption = None,
) -> None:
    """Find the scale of a device from pictures of a certified artefact, turned and moved."""
    from sieve_inspect.scale.calibration import Artefact
    from sieve_inspect.target.calibrating import calibrate_pictures
    from sieve_inspect.units import parse_length_um

    def half(text: str | None) -> float:
        return 0.0 if text is None else parse_length_um(text) / 2

    artefact = Artefact(
        pattern=pattern,
        pitch_um=parse_length_um(pitch),
        u_pitch_um=half(u_pitch),
        line_width_um=None if line_width is None else parse_length_um(line_width),
        u_line_width_um=half(u_line_width),
        source=source or f"{pattern} target of pitch {pitch}",
    )
    box = None if region is None else _numbers(region, "--region", 4)
    angles = None if turned is None else _numbers(turned, "--turned", len(targets))
    found = calibrate_pictures(
        targets,
        artefact,
        encoding=encoding,
        region=None if box is None else (int(box[0]), int(box[1]), int(box[2]), int(box[3])),
        turns_deg=angles,
        max_residual_um=None if max_residual is None else parse_length_um(max_residual),
    )
    if out is not None:
        text = jsonlib.dumps(found.to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
        write_bytes(out, (text + "\n").encode())
    if residuals is not None:
        from sieve_inspect.target.picture import residuals_png

        write_bytes(residuals, residuals_png(found))
    if not emit_json(json, found.to_dict()):
        print_calibration(found)
        if out is not None:
            print_line(f"Scale file: {out}")


def _numbers(text: str, option: str, count: int) -> list[float]:
    from sieve_inspect.errors import UsageError

    parts = text.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) != count:
        raise UsageError(message=f"{option} wants {count} numbers with commas, not '{text}'.")
    return values


def print_calibration(found: Calibration) -> None:
    """The result for a person: figures with U (k = 2), the budget, warnings."""
    s = found.scale
    rows = [
        ("x", f"{s.um_per_px_x:.5f}", f"{2 * s.u_rel_x * s.um_per_px_x:.5f}", "um per px"),
        ("y", f"{s.um_per_px_y:.5f}", f"{2 * s.u_rel_y * s.um_per_px_y:.5f}", "um per px"),
        ("shear", f"{s.shear_deg:.4f}", f"{2 * s.u_shear_deg:.4f}", "degrees"),
    ]
    if found.artefact.gap_um is not None:
        rows.append(
            ("edge bias", f"{s.edge_bias_px:.4f}", f"{2 * s.u_edge_bias_px:.4f}", "px each edge")
        )
    print_table("Scale", ("figure", "value", "U (k = 2)", "unit"), rows, ("value", "U (k = 2)"))
    print_line()
    print_table(
        "Budget, relative standard uncertainty",
        ("source", "x", "y"),
        [(r.name, f"{r.u_rel_x:.2e}", f"{r.u_rel_y:.2e}") for r in found.budget],
        ("x", "y"),
    )
    print_line()
    print_line(
        f"{found.marks_used} of {found.marks} marks, residuals {found.residual_rms_um:.3g} um rms "
        f"({found.residual_rms_um / found.um_per_px:.3f} px)"
    )
    print_line(
        f"distortion {found.distortion_percent:.2f} %, map at most {found.rest_max_um:.3g} um"
    )
    for warning in found.warnings:
        import textwrap

        for line in textwrap.wrap(f"warning: {warning}", 78, subsequent_indent="  "):
            print_line(line)
