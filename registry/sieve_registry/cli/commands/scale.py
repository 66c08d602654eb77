"""`sieveward scale`: micrometres per pixel from pictures of a certified artefact."""

from __future__ import annotations

import json as jsonlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support.line_scale import (
    line_by_hand,
    print_bias_budget,
    print_figures,
    print_lined,
    print_warnings,
    with_doubts,
)
from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, record_terms
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    write_bytes,
)
from sieve_registry.cli.support.output_files import check_outputs
from sieve_registry.cli.support.scales import (
    Taking,
    calibrate_recorded,
    file_there,
    numbers,
    scale_dict,
)

if TYPE_CHECKING:
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.calibration import Artefact, Calibration

__all__ = ["print_calibration", "scale"]


def scale(
    context: typer.Context,
    targets: Annotated[
        list[Path], typer.Argument(metavar="TARGET...", help="Pictures of one artefact.")
    ],
    *,
    pattern: Annotated[
        str | None, typer.Option(help="dots, checker, grid or rule; line: one line, see --base.")
    ] = None,
    pitch: Annotated[
        str | None, typer.Option(metavar="L", help="From mark to mark as certified: 500um, 0.5mm.")
    ] = None,
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
    base: Annotated[
        str | None,
        typer.Option(
            metavar="FILE|NAME", help="Scale whose edge bias a single line of known width sets."
        ),
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
    artefact_id: Annotated[
        str | None, typer.Option("--artefact", metavar="ID", help="Record it: the artefact,")
    ] = None,
    device_id: Annotated[
        str | None, typer.Option("--device", metavar="ID", help="and the device it was laid on.")
    ] = None,
    name: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the scale (the device's).")
    ] = None,
    interval_months: Annotated[int, typer.Option(metavar="N", help="How long it holds.")] = 12,
    stand_off: Annotated[
        str | None, typer.Option(metavar="L", help="The artefact's above the glass (device's).")
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="C", help="Of the room, degrees Celsius.")
    ] = None,
    temperature_range: Annotated[
        str, typer.Option(metavar="LOW,HIGH", help="In which the scale holds.")
    ] = "15,30",
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json: JsonOption = None,
) -> None:
    """Find the scale of a device from pictures of a certified artefact, turned and moved."""
    from sieve_inspect.units import parse_length_um

    recorded = artefact_id is not None or device_id is not None
    if recorded:
        by_hand = (pattern, pitch, u_pitch, line_width, u_line_width, source)
        _refuse_half(artefact_id, device_id, by_hand)
    check_outputs(
        [("--out", out), ("--residuals", residuals)],
        json,
        [
            ("the scale", None if base is None else file_there(base)),
            *(("the picture", path) for path in targets),
        ],
    )
    limit = None if max_residual is None else parse_length_um(max_residual)
    taking = Taking(
        targets,
        encoding,
        numbers(region, "--region", 4),
        numbers(turned, "--turned", len(targets)),
        limit,
    )
    found: Calibration | LineCalibration
    kept = None
    if recorded:
        terms = (
            interval_months,
            stand_off,
            temperature,
            numbers(temperature_range, "--temperature-range", 2),
        )
        found, kept = calibrate_recorded(
            context, taking, str(artefact_id), str(device_id), name, terms,
            record_terms(date, by, why_late), base,
        )  # fmt: skip
    elif pattern == "line" or base is not None:
        told = (pattern, pitch, u_pitch, line_width, u_line_width, source)
        found = line_by_hand(context, taking, base, told)
    else:
        found = taking.calibrate(
            _artefact_by_hand(pattern, pitch, u_pitch, line_width, u_line_width, source)
        )
    if not recorded:
        found = with_doubts(found, pattern, u_pitch, line_width, u_line_width)
    if out is not None:
        text = jsonlib.dumps(found.to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
        write_bytes(out, (text + "\n").encode())
    if residuals is not None:
        write_bytes(residuals, _picture(found))
    whole = found.to_dict() if kept is None else {**found.to_dict(), "recorded": scale_dict(kept)}
    if not emit_json(json, whole):
        print_scale(found)
        if kept is not None:
            print_line(f"Recorded as scale {kept.name}, valid until {kept.valid_until}.")
        if out is not None:
            print_line(f"Scale file: {out}")


def _refuse_half(
    artefact_id: str | None, device_id: str | None, by_hand: tuple[str | None, ...]
) -> None:
    from sieve_inspect.errors import UsageError

    if artefact_id is None or device_id is None:
        raise UsageError(message="A scale is recorded with both --artefact and --device.")
    if any(one is not None for one in by_hand):
        raise UsageError(
            message="Pattern, pitch, widths and source are those of --artefact: leave them out."
        )


def _artefact_by_hand(
    pattern: str | None,
    pitch: str | None,
    u_pitch: str | None,
    line_width: str | None,
    u_line_width: str | None,
    source: str | None,
) -> Artefact:
    from sieve_inspect.errors import UsageError
    from sieve_inspect.scale.calibration import Artefact
    from sieve_inspect.scale.model import U_REL_BY_HAND
    from sieve_inspect.units import parse_length_um

    if pattern is None or pitch is None:
        raise UsageError(
            message="Give --pattern and --pitch of the artefact, or --artefact and --device."
        )

    def half(text: str | None) -> float:
        return 0.0 if text is None else parse_length_um(text) / 2

    pitch_um = parse_length_um(pitch)
    return Artefact(
        pattern=pattern,
        pitch_um=pitch_um,
        # Without a certificate it is a number on trust, as one typed for --um-per-px is.
        u_pitch_um=U_REL_BY_HAND * pitch_um if u_pitch is None else half(u_pitch),
        line_width_um=None if line_width is None else parse_length_um(line_width),
        u_line_width_um=half(u_line_width),
        source=source or f"{pattern} target of pitch {pitch}",
        certified=u_pitch is not None and (line_width is None or u_line_width is not None),
    )


def _picture(found: Calibration | LineCalibration) -> bytes:
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.artefact.residual_picture import line_png, residuals_png

    return line_png(found) if isinstance(found, LineCalibration) else residuals_png(found)


def print_scale(found: Calibration | LineCalibration) -> None:
    """The result for a person, whichever artefact it came from."""
    from sieve_inspect.scale.artefact.line_bias import LineCalibration

    if isinstance(found, LineCalibration):
        print_lined(found)
    else:
        print_calibration(found)


def print_calibration(found: Calibration) -> None:
    """The result for a person: figures with U (k = 2), the budget, warnings."""
    print_figures(found.scale, with_bias=found.artefact.gap_um is not None)
    print_line()
    print_table(
        "Budget, relative standard uncertainty",
        ("source", "x", "y"),
        [(r.name, f"{r.u_rel_x:.2e}", f"{r.u_rel_y:.2e}") for r in found.budget],
        ("x", "y"),
    )
    print_line()
    print_bias_budget(found.bias_budget)
    print_line(
        f"{found.marks_used} of {found.marks} marks, residuals {found.residual_rms_um:.3g} um rms "
        f"({found.residual_rms_um / found.um_per_px:.3f} px)"
    )
    print_line(
        f"distortion {found.distortion_percent:.2f} %, map at most {found.rest_max_um:.3g} um"
    )
    print_warnings(found.warnings)
