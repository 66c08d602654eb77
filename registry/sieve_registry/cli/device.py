"""`sieveward device add|list|show`: scanners and microscopes, each at one setting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, print_table
from sieve_registry.cli.options import ByOption, opened, told_by

if TYPE_CHECKING:
    from sieve_registry.artefacts import Device

__all__ = ["device_app", "length_or_zero"]

device_app = typer.Typer(
    no_args_is_help=True, help="The scanners and microscopes pictures come from: add, list, show."
)
IdArgument = Annotated[
    str, typer.Argument(metavar="ID", help="Its name; another setting is another device.")
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
        str, typer.Option(metavar="L", help="How far above the glass the cloth lies: 0um, 1mm.")
    ],
    stand_off_allowance: Annotated[
        str | None,
        typer.Option(metavar="L", help="How much that may differ (1 mm; microscope 0.1 mm)."),
    ] = None,
    optical_path: Annotated[
        str | None,
        typer.Option(metavar="L", help="From lens to object (300 mm; microscope 30 mm)."),
    ] = None,
    by: ByOption = None,
    json_path: JsonOption = None,
) -> None:
    """Record a scanner or microscope at one setting."""
    from sieve_registry import artefacts

    path, allowance = artefacts.DEVICE_KINDS.get(kind, (1.0, 0.0))
    new = artefacts.Device(
        id=device_id,
        kind=kind,
        serial=serial,
        setting=setting,
        light=light,
        encoding=encoding,
        stand_off_um=length_or_zero(stand_off),
        allowance_um=allowance
        if stand_off_allowance is None
        else length_or_zero(stand_off_allowance),
        path_um=path if optical_path is None else length_or_zero(optical_path),
    )
    with opened(context, create=True) as registry:
        found = artefacts.add_device(registry, new, told_by(None, by))
    if not emit_json(json_path, _device_dict(found)):
        _print_device(found)


@device_app.command("list")
def list_(context: typer.Context, json_path: JsonOption = None) -> None:
    """List the devices."""
    from sieve_registry import artefacts

    with opened(context) as registry:
        found = artefacts.devices(registry)
    if emit_json(json_path, {"devices": [_device_dict(one) for one in found]}):
        return
    if not found:
        print_line("No device is kept yet: sieveward device add ID …")
        return
    rows = [(one.id, one.kind, one.serial, one.setting, one.light) for one in found]
    print_table("", ("device", "kind", "serial", "setting", "light"), rows)


@device_app.command()
def show(context: typer.Context, device_id: IdArgument, json_path: JsonOption = None) -> None:
    """Show a device."""
    from sieve_registry import artefacts

    with opened(context) as registry:
        found = artefacts.device_named(registry, device_id)
    if not emit_json(json_path, _device_dict(found)):
        _print_device(found)


def length_or_zero(text: str) -> float:
    """A length in um where nothing at all, with or without a unit, can be meant too."""
    import re

    from sieve_inspect.units import parse_length_um

    return 0.0 if re.fullmatch(r"\s*0+([.,]0*)?\s*[a-zµμ]*\s*", text) else parse_length_um(text)


def _device_dict(one: Device) -> dict[str, Any]:
    return dict(one.__dict__)


def _print_device(one: Device) -> None:
    from sieve_inspect.units import format_length

    print_line(f"Device {one.id}, {one.kind}, serial {one.serial}")
    print_line(f"  setting {one.setting}, light {one.light}, encoding {one.encoding}")
    off = "on the glass" if not one.stand_off_um else format_length(one.stand_off_um)
    print_line(f"  cloth {off}, give or take {format_length(one.allowance_um)}")
