"""`sieveward scale`: micrometres per pixel from pictures of a certified artefact."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_inspect.files import MOST_JSON_BYTES, read_json
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument
from sieve_registry.cli.support.scale_tables import print_calibration

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.calibration import Calibration
    from sieve_registry.scales.calibrations import KeptScale, ScaleConditions
    from sieve_registry.scales.commands import ArtefactFigures


def _text(metavar: str, meaning: str) -> Any:
    return typer.Option(metavar=metavar, help=meaning)


def _id(option: str, meaning: str) -> Any:
    return typer.Option(option, metavar="ID", help=meaning)


_PATTERN = typer.Option(help="dots, checker, grid or rule; line: a single line, with --base.")
_PITCH = _text("L", "Certified distance between marks: 500um, 0.5mm.")
_WIDTH = _text("L", "Certified width of a line (checker: of a dark square).")
_U = _text("L", "Its U (k = 2) from the certificate.")
_BASE = _text("FILE|NAME", "Scale whose edge bias a single line corrects.")
_OUT = _text("FILE", "Write the scale file here.")
_SOURCE = _text("TEXT", "Reference of the certificate or artefact.")
_REGION = _text("L,T,R,B", "Where the artefact lies, px of the picture.")
_TURNED = _text("DEG,...", "Rough rotation of the artefact in each picture.")
_MAX_RESIDUAL = _text("L", "Refuse a fit above this rms (0.15 px).")
_RESIDUALS = _text("PNG", "Write the residuals as a picture.")
_ARTEFACT = _id("--artefact", "Record the scale: the recorded artefact used.")
_DEVICE = _id("--device", "Record the scale: the device calibrated.")
_NAME = _text("NAME", "Name of the recorded scale (the device's).")
_INTERVAL = _text("N", "Months until the next calibration.")
_STAND_OFF = _text("L", "Height of the artefact above the glass (device's).")
_ACCEPT = _text("REASON", "Use a scale that dpi, setting or last scale contradict: why.")
_RANGE = _text("LOW,HIGH", "Room temperatures the scale is valid for.")


def scale(
    context: typer.Context,
    targets: Annotated[list[Path], argument("Pictures of one artefact.", "TARGET...")],
    *,
    pattern: Annotated[str | None, _PATTERN] = None,
    pitch: Annotated[str | None, _PITCH] = None,
    u_pitch: Annotated[str | None, _U] = None,
    line_width: Annotated[str | None, _WIDTH] = None,
    u_line_width: Annotated[str | None, _U] = None,
    base: Annotated[str | None, _BASE] = None,
    out: Annotated[Path | None, _OUT] = None,
    source: Annotated[str | None, _SOURCE] = None,
    sensor: options.SensorOption = "",
    encoding: options.Encoding = "auto",
    region: Annotated[str | None, _REGION] = None,
    turned: Annotated[str | None, _TURNED] = None,
    max_residual: Annotated[str | None, _MAX_RESIDUAL] = None,
    residuals: Annotated[Path | None, _RESIDUALS] = None,
    artefact_id: Annotated[str | None, _ARTEFACT] = None,
    device_id: Annotated[str | None, _DEVICE] = None,
    name: Annotated[str | None, _NAME] = None,
    interval_months: Annotated[int, _INTERVAL] = 12,
    stand_off: Annotated[str | None, _STAND_OFF] = None,
    temperature: options.Temperature = None,
    temperature_range: Annotated[str, _RANGE] = "15,30",
    accept_scale: Annotated[str, _ACCEPT] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Calibrate a device from pictures of a certified artefact, turned and moved."""
    from sieve_registry.cli.support.running import progress
    from sieve_registry.scales import commands

    given = (pattern, pitch, u_pitch, line_width, u_line_width, source)
    recorded = artefact_id is not None or device_id is not None
    if recorded:
        _refuse_half(artefact_id, device_id, (*given, sensor or None))
    inputs = [("the picture", path) for path in targets]
    inputs += [("the scale", file) for file in [output.existing_file(base)] if file is not None]
    output.check_outputs([("--out", out), ("--residuals", residuals)], json_path, inputs)
    pictures = commands.ArtefactPictures(
        targets,
        encoding,
        options.read_region(region, "--region"),
        options.read_numbers(turned, "--turned", len(targets)),
        options.read_length(max_residual),
        accept_scale,
    )
    kept, measuring = None, progress("Measuring the artefact", 1)
    if recorded:
        conditions = _conditions(interval_months, stand_off, temperature, temperature_range)
        ids, terms = (str(artefact_id), str(device_id)), options.terms(date, by, why_late)
        with options.opened(context) as registry, measuring as update:
            pictures = replace(pictures, progress=partial(update, 0))
            calibration, kept = commands.calibrate_device(
                registry, pictures, *ids, conditions, terms, name=name, base=base
            )
    else:
        base_scale = None if base is None else _base(context, base)
        with measuring as update:
            pictures = replace(pictures, progress=partial(update, 0))
            typed = commands.calibrate_by_hand(pictures, _figures(*given), base_scale)
        calibration = replace(typed, scale=options.seen_by(typed.scale, sensor))
    _write(calibration, out, residuals)
    if not output.emit(json_path, _answer(calibration, kept)):
        _print(calibration, kept, out)


def _refuse_half(
    artefact_id: str | None, device_id: str | None, given: tuple[str | None, ...]
) -> None:
    """Refuse a record of half of what it needs, or with figures the artefact's record has."""
    if artefact_id is None or device_id is None:
        raise UsageError(message="To record a scale give both --artefact and --device.")
    if any(text is not None for text in given):
        raise UsageError(
            message="Pattern, pitch, widths and source come from --artefact, the sensor from "
            "--device: leave them out."
        )


def _figures(
    pattern: str | None,
    pitch: str | None,
    u_pitch: str | None,
    line_width: str | None,
    u_line_width: str | None,
    source: str | None,
) -> ArtefactFigures:
    """The artefact as typed."""
    from sieve_registry.scales.commands import ArtefactFigures

    um = options.read_length
    known = f"line of {line_width}" if pattern == "line" else f"{pattern} target of pitch {pitch}"
    return ArtefactFigures(
        pattern, um(pitch), um(u_pitch), um(line_width), um(u_line_width), source or known
    )


def _conditions(
    interval_months: int,
    stand_off: str | None,
    temperature: float | None,
    temperature_range: str,
) -> ScaleConditions:
    """The conditions under which the scale was made and may be used."""
    from sieve_registry.scales.calibrations import ScaleConditions
    from sieve_registry.scales.choice import parse_stand_off_um

    low, high = options.read_numbers(temperature_range, "--temperature-range", 2) or (15.0, 30.0)
    return ScaleConditions(
        interval_months=interval_months,
        stand_off_um=None if stand_off is None else parse_stand_off_um(stand_off),
        temperature_c=temperature,
        range_c=(low, high),
    )


def _base(context: typer.Context, base: str) -> tuple[Scale, dict[str, Any]]:
    """The scale `--base` names, with the content of its file."""
    from sieve_inspect.scale import load_scale
    from sieve_registry.cli.support.running import print_remark
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.scales.choice import names_a_file, scale_named

    if not names_a_file(base):
        with options.opened(context) as registry:
            named = scale_named(registry, base, registry.today(), print_remark)
            if isinstance(named, KeptScale):
                return named.scale(registry), named.file(registry)
    return load_scale(Path(base)), read_json(Path(base), MOST_JSON_BYTES)


def _write(
    calibration: Calibration | LineCalibration, out: Path | None, residuals: Path | None
) -> None:
    """Write the scale file and the picture of the residuals, where wanted."""
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.artefact.residual_picture import line_png, residuals_png

    if out is not None:
        text = json.dumps(calibration.to_dict(), indent=2, ensure_ascii=False, allow_nan=False)
        output.write_bytes(out, (text + "\n").encode())
    if residuals is not None:
        output.write_bytes(
            residuals,
            line_png(calibration)
            if isinstance(calibration, LineCalibration)
            else residuals_png(calibration),
        )


def _answer(calibration: Calibration | LineCalibration, kept: KeptScale | None) -> dict[str, Any]:
    """`scale --json`: the scale file's content, and the record if there is one."""
    recorded = {} if kept is None else {"recorded": kept.to_dict()}
    return {**calibration.to_dict(), **recorded}


def _print(
    calibration: Calibration | LineCalibration, kept: KeptScale | None, out: Path | None
) -> None:
    print_calibration(calibration)
    if kept is not None:
        output.line(f"Recorded as scale {kept.name}, valid until {kept.valid_until}.")
    if out is not None:
        output.line(f"Scale file: {out}")
