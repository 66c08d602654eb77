"""`sieveward illumination`: what a lamp does to round wires, from a certified cloth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.commands.measure import (
    ImagesArgument,
    NominalOption,
    ScaleOption,
    read_scale,
)
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_inspect.illumination.model import Illumination
    from sieve_inspect.measurement.reference_cloth import CertifiedCloth
    from sieve_registry.scales.lamps import KeptIllumination

_U = "Its U (k = 2) from the certificate."


def illumination(
    context: typer.Context,
    images: ImagesArgument,
    nominal: NominalOption,
    *,
    mean_x: Annotated[str | None, option("Certified mean aperture in x.", "L")] = None,
    mean_y: Annotated[str | None, option("Certified mean aperture in y.", "L")] = None,
    u_mean: Annotated[str | None, option(_U, "L")] = None,
    wire: Annotated[str | None, option("Or the wire by a micrometer.", "L")] = None,
    u_wire: Annotated[str | None, option("Its U (k = 2).", "L")] = None,
    scale: ScaleOption = None,
    um_per_px: options.UmPerPx = None,
    view_angle: options.ViewAngle = None,
    encoding: options.Encoding = "auto",
    other: Annotated[
        list[Path] | None,
        option("Another cloth's illumination file; both must agree.", "FILE", name="--with"),
    ] = None,
    source: Annotated[str, option("Certificate of the cloth: number, laboratory.", "T")] = "",
    out: Annotated[Path | None, option("Write the illumination file here.", "FILE")] = None,
    device_id: Annotated[
        str | None, option("Record it for this device.", "ID", name="--device")
    ] = None,
    name: Annotated[str | None, option("Name of the record (the device's).", "NAME")] = None,
    interval_months: Annotated[int, option("Months until it is measured again.", "N")] = 12,
    equipment: options.EquipmentUsed = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Learn from a certified cloth what the lamp does to round wires."""
    from sieve_inspect.illumination.model import load_illumination
    from sieve_inspect.measurement.options import Resources
    from sieve_inspect.measurement.pipeline import measure
    from sieve_inspect.measurement.reference_cloth import of_reference, sampling_dominates
    from sieve_inspect.standard import resolve_nominal
    from sieve_registry.cli.support.running import progress

    inputs = [("the scale", scale), *(("the illumination", path) for path in other or ())]
    output.check_outputs([("--out", out)], json_path, inputs + [("the scan", p) for p in images])
    if device_id is None:
        _refuse_without_record(out, json_path, equipment)
    certified = _certified(mean_x, mean_y, u_mean, wire, u_wire)
    nominal_um = resolve_nominal(nominal)
    certified.check(nominal_um)
    if device_id is not None and not source.strip():
        raise UsageError(message="Certificate missing: give --source, its number and laboratory.")
    known_scale, stated = read_scale(scale, um_per_px), options.stated_light(None, view_angle)
    with progress("Measuring", len(images)) as update:
        measurement = measure(
            images,
            nominal_um=nominal_um,
            scale=known_scale,
            encoding=encoding,
            illumination=stated,
            resources=Resources(progress=update),
        )
    others = [load_illumination(path) for path in other or ()]
    lit = of_reference(measurement, certified, source or f"{nominal} cloth", others=others)
    kept = None
    if device_id is not None:
        from sieve_registry.scales import lamps

        terms = options.terms(date, by, why_late)
        with options.opened(context) as registry:
            named, used = name or device_id, equipment or ()
            kept = lamps.record_illumination(
                registry, named, lit, device_id, images, interval_months, terms, equipment=used
            )
        lit = kept.illumination
    if out is not None:
        output.write_bytes(out, (json.dumps(lit.to_dict(), indent=2) + "\n").encode())
    if not output.emit(json_path, lit.to_dict()):
        few_fields = certified.wire_um is None and sampling_dominates(measurement, lit)
        _print(lit, out, kept, few_fields=few_fields)


def _refuse_without_record(
    out: Path | None, json_path: str | None, equipment: list[str] | None
) -> None:
    """Raise `UsageError` for what only a record of a device can keep."""
    if out is None and json_path is None:
        raise UsageError(message="Nothing would be kept: give --out FILE, or --device ID.")
    if equipment:
        raise UsageError(message="Only a record names equipment: give --device ID too.")


def _certified(
    mean_x: str | None, mean_y: str | None, u_mean: str | None, wire: str | None, u_wire: str | None
) -> CertifiedCloth:
    """The certified values as typed. Raises `UsageError` for half of them."""
    from sieve_inspect.measurement.reference_cloth import CertifiedCloth
    from sieve_inspect.units import parse_length_um

    if wire is None:
        if mean_x is None or mean_y is None or u_mean is None:
            raise UsageError(
                message="Certified values missing: give --mean-x, --mean-y and --u-mean from the "
                "certificate, or --wire and --u-wire from a micrometer."
            )
        return CertifiedCloth(
            (parse_length_um(mean_x), parse_length_um(mean_y)), None, parse_length_um(u_mean)
        )
    if (mean_x, mean_y, u_mean) != (None, None, None):
        raise UsageError(message="Give the certified means or the wire, not both.")
    if u_wire is None:
        raise UsageError(message="Uncertainty of the wire missing: give --u-wire.")
    return CertifiedCloth(None, parse_length_um(wire), parse_length_um(u_wire))


def _print(
    lit: Illumination, out: Path | None, kept: KeptIllumination | None, *, few_fields: bool
) -> None:
    rows = [(name, lit.glow[axis], 2 * lit.u_glow[axis]) for axis, name in enumerate("xy")]
    columns = {"direction": "", "wires look thinner by": ">.2%", "U (k = 2)": ">.2%"}
    output.table("What the lamp does to the wires", columns, rows)
    output.text(f"Known from: {lit.source}.")
    if few_fields:
        output.text(
            "Most of U is the between-field standard deviation: scan more fields of the cloth and "
            "give all scans together."
        )
    if kept is not None:
        output.line(f"Recorded as illumination {kept.name}, valid until {kept.valid_until}.")
        for warning in kept.warnings:
            output.text(f"Note: {warning}.")
    if out is not None:
        output.line(f"Illumination file: {out}")
