"""`sieveward device add|list|show`: scanners and microscopes, each at one setting."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import correction_dict, print_corrections, show_list

if TYPE_CHECKING:
    from sieve_registry.scales.artefacts import Device
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.scales.drift import Jump

_DEVICE = (
    "id kind serial setting light encoding stand_off_um allowance_um path_um sensor lamp_deg "
    "view_deg line_um u_lamp_deg u_view_deg depth_of_field_um event"
)
_JUMP = (
    "direction last_good=good.on_date first_bad=bad.on_date change_rel=change limit_rel=limit "
    "checks"
)

device_app = typer.Typer(no_args_is_help=True, help="Scanners and microscopes: add, list, show.")
IdArgument = Annotated[str, argument("Its name; each setting is a device of its own.", "ID")]


@device_app.command()
def add(
    context: typer.Context,
    device_id: IdArgument,
    *,
    kind: Annotated[str, option("scanner or microscope.")],
    serial: Annotated[str, option("Its serial number.", "T")],
    setting: Annotated[str, option("2400dpi, or the objective: 4x.", "T")],
    light: Annotated[str, option("transmitted, reflected, ring, …", "T")],
    encoding: Annotated[str, option("srgb, linear or auto.", "E")],
    stand_off: Annotated[str, option("Height of the cloth above the glass: 0um, 1mm.", "L")],
    stand_off_allowance: Annotated[
        str | None, option("Allowed difference (1 mm; microscope 0.1 mm).", "L")
    ] = None,
    optical_path: Annotated[
        str | None, option("From lens to object (300 mm; microscope 30 mm).", "L")
    ] = None,
    sensor: Annotated[str, option("line camera, contact, telecentric or area camera.", "T")] = "",
    lamp_angle: options.LampAngle = None,
    view_angle: options.ViewAngle = None,
    u_lamp_angle: Annotated[float | None, option("Its U (k = 2), degrees.", "DEG")] = None,
    u_view_angle: Annotated[float | None, option("Its U (k = 2), degrees.", "DEG")] = None,
    line_middle: Annotated[
        str | None, option("Line camera: middle of its line from the left of a scan.", "L")
    ] = None,
    depth_of_field: Annotated[str | None, option("Depth of field.", "L")] = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a scanner or microscope at one setting."""
    from sieve_registry.scales import artefacts
    from sieve_registry.scales.choice import parse_stand_off_um

    light_of = options.stated_light(lamp_angle, view_angle)
    path, allowance = artefacts.DEVICE_KINDS.get(kind, (1.0, 0.0))
    path_um = path if optical_path is None else parse_stand_off_um(optical_path)
    new = artefacts.Device(
        id=device_id,
        kind=kind,
        serial=serial,
        setting=setting,
        light=light,
        encoding=encoding,
        stand_off_um=parse_stand_off_um(stand_off),
        allowance_um=allowance
        if stand_off_allowance is None
        else parse_stand_off_um(stand_off_allowance),
        path_um=path_um,
        sensor=sensor,
        lamp_deg=light_of.lamp_deg,
        view_deg=light_of.view_deg,
        u_lamp_deg=None if u_lamp_angle is None else u_lamp_angle / 2,
        u_view_deg=None if u_view_angle is None else u_view_angle / 2,
        line_um=None if line_middle is None else (parse_stand_off_um(line_middle), path_um),
        depth_of_field_um=options.read_length(depth_of_field),
    )
    with options.opened(context, create=True) as registry:
        device = artefacts.add_device(registry, new, options.terms(None, by, why_late))
    if not output.emit(json_path, output.fields(device, _DEVICE)):
        _print_device(device)


@device_app.command("list")
def list_(context: typer.Context, json_path: options.Json = None) -> None:
    """List the devices."""
    from sieve_registry.scales import artefacts

    with options.opened(context) as registry:
        devices = [output.fields(device, _DEVICE) for device in artefacts.devices(registry)]
    columns = {"device": "", "kind": "", "serial": "", "setting": "", "light": ""}
    show_list(json_path, "device", devices, columns, "id kind serial setting light")


@device_app.command()
def show(
    context: typer.Context,
    device_id: IdArgument,
    *,
    plot: Annotated[Path | None, option("Draw the history with limits.", "SVG")] = None,
    json_path: options.Json = None,
) -> None:
    """Show a device with the history of its scale, jumps, and the checks they affect."""
    from sieve_registry.scales import artefacts
    from sieve_registry.scales.drift import drift_of
    from sieve_registry.scales.queries import corrections_of_device

    output.check_outputs([("--plot", plot)], json_path)
    with options.opened(context) as registry:
        device = artefacts.device_named(registry, device_id)
        history, jumps = drift_of(registry, device_id)
        corrections = corrections_of_device(registry, device)
    if plot is not None:
        _draw(plot, history)
    answer = {
        **output.fields(device, _DEVICE),
        "scales": [scale.to_dict() for scale in history],
        "jumps": [output.fields(jump, _JUMP) for jump in jumps],
        "corrections": [correction_dict(correction) for correction in corrections],
    }
    if output.emit(json_path, answer):
        return
    _print_device(device)
    if history:
        output.line()
        _print_history(history)
    for jump in jumps:
        _print_jump(jump)
    print_corrections(corrections)


def _draw(plot: Path, history: Sequence[KeptScale]) -> None:
    from sieve_registry.report.charts import drift_svg

    if not history:
        raise UsageError(message="No scale to draw yet: record a scale with `sieveward scale`.")
    output.write_bytes(plot, drift_svg(history).encode())


def _print_history(history: Sequence[KeptScale]) -> None:
    columns = {
        "event": ">", "date": "", "scale": "", "x, um/px": ">.5f", "y, um/px": ">.5f",
        "U, %": ">.3f", "valid until": "",
    }  # fmt: skip
    rows = [
        (kept.event, kept.on_date, kept.name, *kept.um_per_px, 200 * max(kept.u_rel),
         kept.valid_until)
        for kept in history
    ]  # fmt: skip
    output.table("", columns, rows)


def _print_jump(jump: Jump) -> None:
    checks = ", ".join(jump.checks) or "none"
    output.text(
        f"Jump along {jump.direction}: {100 * jump.change:+.3f} % from {jump.good.on_date} to "
        f"{jump.bad.on_date}; both uncertainties explain at most {100 * jump.limit:.3f} %. "
        f"Checks in between: {checks}."
    )


def _print_device(device: Device) -> None:
    from sieve_inspect.units import format_length

    output.line(f"Device {device.id}, {device.kind}, serial {device.serial}")
    output.line(f"  setting {device.setting}, light {device.light}, encoding {device.encoding}")
    off = "on the glass" if not device.stand_off_um else format_length(device.stand_off_um)
    output.line(f"  cloth {off}, within {format_length(device.allowance_um)}")
    lit = device.illumination()
    sensor = f"sensor {device.sensor}; " if device.sensor else ""
    output.text(f"{sensor}{lit.source}", "  ", first="  ")
