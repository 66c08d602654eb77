"""`sieveward device add|list|show`: scanners and microscopes, each at one setting."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.json_fields import fields
from sieve_registry.cli.support.options import ByOption, opened, record_terms
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
    write_bytes,
)
from sieve_registry.cli.support.output_files import check_outputs

if TYPE_CHECKING:
    from sieve_registry.records import Correction
    from sieve_registry.scales.artefacts import Device
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.scales.drift import Jump
    from sieve_registry.store.engine import Registry

__all__ = ["device_app"]

_FIELDS = (
    "id", "kind", "serial", "setting", "light", "encoding", "stand_off_um", "allowance_um",
    "path_um", "event",
)  # fmt: skip

device_app = typer.Typer(no_args_is_help=True, help="Scanners and microscopes: add, list, show.")
IdArgument = Annotated[
    str, typer.Argument(metavar="ID", help="Its name; each setting is a device of its own.")
]


@device_app.command()
def add(
    context: typer.Context,
    device_id: IdArgument,
    *,
    kind: Annotated[str, typer.Option(help="scanner or microscope.")],
    serial: Annotated[str, typer.Option(metavar="T", help="Its serial number.")],
    setting: Annotated[str, typer.Option(metavar="T", help="2400dpi, or the objective: 4x.")],
    light: Annotated[str, typer.Option(metavar="T", help="transmitted, reflected, ring, …")],
    encoding: Annotated[str, typer.Option(metavar="E", help="srgb, linear or auto.")],
    stand_off: Annotated[
        str, typer.Option(metavar="L", help="Height of the cloth above the glass: 0um, 1mm.")
    ],
    stand_off_allowance: Annotated[
        str | None,
        typer.Option(metavar="L", help="Allowed difference (1 mm; microscope 0.1 mm)."),
    ] = None,
    optical_path: Annotated[
        str | None,
        typer.Option(metavar="L", help="From lens to object (300 mm; microscope 30 mm)."),
    ] = None,
    by: ByOption = None,
    json_path: JsonOption = None,
) -> None:
    """Record a scanner or microscope at one setting."""
    from sieve_registry.scales import artefacts
    from sieve_registry.scales.choice import parse_stand_off_um

    path, allowance = artefacts.DEVICE_KINDS.get(kind, (1.0, 0.0))
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
        path_um=path if optical_path is None else parse_stand_off_um(optical_path),
    )
    with opened(context, create=True) as registry:
        found = artefacts.add_device(registry, new, record_terms(None, by))
    if not emit_json(json_path, _device_dict(found)):
        _print_device(found)


@device_app.command("list")
def list_(context: typer.Context, json_path: JsonOption = None) -> None:
    """List the devices."""
    from sieve_registry.scales import artefacts

    with opened(context) as registry:
        found = artefacts.devices(registry)
    if emit_json(json_path, {"devices": [_device_dict(one) for one in found]}):
        return
    if not found:
        print_line("No devices yet. Add one: sieveward device add ID …")
        return
    rows = [(one.id, one.kind, one.serial, one.setting, one.light) for one in found]
    print_table("", ("device", "kind", "serial", "setting", "light"), rows)


@device_app.command()
def show(
    context: typer.Context,
    device_id: IdArgument,
    *,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="SVG", help="Draw the history with limits.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Show a device with the history of its scale, jumps, and the checks they affect."""
    from sieve_registry.cli.support.records import correction_dict, print_corrections
    from sieve_registry.scales import artefacts
    from sieve_registry.scales.drift import drift_of

    check_outputs([("--plot", plot)], json_path)
    with opened(context) as registry:
        found = artefacts.device_named(registry, device_id)
        history, jumps = drift_of(registry, device_id)
        made = _corrections(registry, found)
    if plot is not None:
        _draw(plot, history)
    whole = {
        **_device_dict(found),
        "scales": [scale.to_dict() for scale in history],
        "jumps": [_jump_dict(one) for one in jumps],
        "corrections": [correction_dict(one) for one in made],
    }
    if emit_json(json_path, whole):
        return
    _print_device(found)
    if history:
        print_line()
        _print_history(history)
    for one in jumps:
        _print_jump(one)
    print_corrections(made)


def _corrections(registry: Registry, device: Device) -> list[Correction]:
    """Later corrections of the device and of its scales, void scales included."""
    from sieve_registry.events import ScaleCalibrated
    from sieve_registry.scales.corrections import amendments
    from sieve_registry.sieves.facts import facts_of

    scales = facts_of(registry, None, [ScaleCalibrated])
    own = [one.seq for one in scales if one.payload.device == device.id]
    return amendments(registry, [device.event, *own])


def _draw(plot: Path, history: Sequence[KeptScale]) -> None:
    from sieve_inspect.errors import UsageError
    from sieve_registry.report.drift_chart import drift_svg

    if not history:
        raise UsageError(message="No scale to draw yet: record a scale with `sieveward scale`.")
    write_bytes(plot, drift_svg(history).encode())


def _jump_dict(one: Jump) -> dict[str, Any]:
    return {
        "direction": one.direction,
        "last_good": one.good.on_date.isoformat(),
        "first_bad": one.bad.on_date.isoformat(),
        "change_rel": one.change,
        "limit_rel": one.limit,
        "checks": list(one.checks),
    }


def _print_history(history: Sequence[KeptScale]) -> None:
    columns = ("event", "date", "scale", "x, um/px", "y, um/px", "U, %", "valid until")
    rows = [
        (
            str(one.event),
            str(one.on_date),
            one.name,
            f"{one.um_per_px[0]:.5f}",
            f"{one.um_per_px[1]:.5f}",
            f"{200 * max(one.u_rel):.3f}",
            str(one.valid_until),
        )
        for one in history
    ]
    print_table("", columns, rows, ("event", "x, um/px", "y, um/px", "U, %"))


def _print_jump(one: Jump) -> None:

    checks = ", ".join(one.checks) or "none"
    text = (
        f"Jump along {one.direction}: {100 * one.change:+.3f} % from {one.good.on_date} to "
        f"{one.bad.on_date}; both uncertainties explain at most {100 * one.limit:.3f} %. "
        f"Checks in between: {checks}."
    )
    print_text(text)


def _device_dict(one: Device) -> dict[str, Any]:
    return fields(one, *_FIELDS)


def _print_device(one: Device) -> None:
    from sieve_inspect.units import format_length

    print_line(f"Device {one.id}, {one.kind}, serial {one.serial}")
    print_line(f"  setting {one.setting}, light {one.light}, encoding {one.encoding}")
    off = "on the glass" if not one.stand_off_um else format_length(one.stand_off_um)
    print_line(f"  cloth {off}, within {format_length(one.allowance_um)}")
