"""`sieveward check`: measure a sieve's scans, judge them, record the check."""

from __future__ import annotations

import json
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.outcomes import FAILING, NOT_JUDGED, Outcome
from sieve_registry.cli.support.options import (
    ByOption,
    DateOption,
    EncodingOption,
    TemperatureOption,
    UmPerPxOption,
    WhyLateOption,
    opened,
    read_day,
    read_region,
)
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
)
from sieve_registry.cli.support.output_files import check_outputs, existing_file

if TYPE_CHECKING:
    from sieve_registry.records import CheckDetail


class FailOn(StrEnum):
    """The outcome from which `--fail-on` ends with exit code 1."""

    FAIL = "fail"
    CONDITIONAL = "conditional"


# The outcomes that answer no; "conditional" means anything but a plain pass.
_NO = {
    FailOn.FAIL: (Outcome.FAIL,),
    FailOn.CONDITIONAL: (*FAILING, Outcome.CONDITIONAL_PASS, NOT_JUDGED),
}


def check(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve that was scanned.")],
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE…", help="Its scans.")],
    *,
    scale_name: Annotated[
        str | None,
        typer.Option("--scale", metavar="NAME|FILE", help="A recorded scale, or a scale file."),
    ] = None,
    um_per_px: UmPerPxOption = None,
    encoding: EncodingOption = "auto",
    setting: Annotated[
        str | None,
        typer.Option(metavar="T", help="Setting of the scans; must match the scale's setting."),
    ] = None,
    stand_off: Annotated[
        str | None, typer.Option(metavar="L", help="Height of the cloth above the glass.")
    ] = None,
    temperature: TemperatureOption = None,
    accept_expired: Annotated[
        str, typer.Option(metavar="REASON", help="Accept an expired scale or artefact: why.")
    ] = "",
    target_in_scan: Annotated[
        str | None,
        typer.Option(metavar="ID", help="Artefact beside the cloth that gives the scale."),
    ] = None,
    target_region: Annotated[
        str | None, typer.Option(metavar="L,T,R,B", help="Its place, px (default: detected).")
    ] = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    fail_on: Annotated[
        FailOn | None, typer.Option("--fail-on", help="Exit 1 for this outcome or worse.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Measure a sieve's scans, judge them by its standard, and record the check with evidence."""
    from sieve_registry.checks import commands as check_commands
    from sieve_registry.cli.support.records import detail_dict
    from sieve_registry.cli.support.running import print_remark
    from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um

    inputs = [("the scale", existing_file(scale_name)), *(("the scan", path) for path in images)]
    check_outputs([], json_path, inputs)
    day = read_day(date)
    with opened(context) as registry:
        request = ScaleRequest(
            day or registry.today(),
            named=scale_name,
            um_per_px=um_per_px,
            setting=setting,
            stand_off_um=None if stand_off is None else parse_stand_off_um(stand_off),
            temperature_c=temperature,
            accept_expired=accept_expired,
            accepted_by=by,
            artefact=target_in_scan,
            region=read_region(target_region, "--target-region"),
            encoding=encoding,
        )
        detail = check_commands.check(
            registry,
            sieve_id,
            images,
            scale=choose_scale(registry, request, images, print_remark),
            encoding=encoding,
            on_date=day,
            by=by,
            late_reason=why_late,
        )
    if not emit_json(json_path, detail_dict(detail)):
        _print_check(detail)
    if fail_on is not None and detail.check.outcome in _NO[fail_on]:
        raise typer.Exit(1)


def _print_check(detail: CheckDetail) -> None:
    from sieve_registry.cli.support.records import length_text, margin_cells

    check = detail.check
    head = f"Sieve {check.sieve_id}, {length_text(check.nominal_nm)}, checked on {check.on_date}"
    print_line(f"{head}: {check.outcome}")
    _print_scans(json.loads(detail.event.payload))
    rule = f", decision rule {check.rule}" if check.rule else ""
    print_line(f"Judged by {check.standard}, {check.grade} grade{rule}.")
    for reason in check.reasons:
        print_text(reason, "    ", first="  - ")
    print_line()
    if detail.margins:
        columns = ("value, um", "direction", "measured", "U", "from", "to", "outcome")
        rows = [margin_cells(margin) for margin in detail.margins]
        print_table("", columns, rows, numeric=("measured", "U", "from", "to"))
        print_line()
    if check.action:
        print_text(check.action_reason or f"Proposed: {check.action}. You decide.")
    print_line(f"Recorded as {check.id}. Its report: sieveward report {check.id}")


def _print_scans(payload: Mapping[str, Any]) -> None:
    """How the scans were read, their scale, and warnings."""
    for image in payload["images"]:
        words = ", ".join(image[n] for n in ("encoding", "encoding_reason") if n in image)
        print_text(f"Scan {image['file']}, read as {words}.")
    for run in (payload.get("trace") or {}).get("check", {}).get("in_scan", ()):
        x, y = (f"{float(value):.6g}" for value in run["um_per_px"])
        print_text(
            f"Scale of {run['file']} by {run['marks']} marks beside the cloth: {x} x {y} um/px."
        )
    source = (payload.get("scale") or {}).get("source")
    if source:
        print_text(f"Scale: {source}.")
    for warning in payload.get("warnings", ()):
        print_text(f"Warning: {warning}.")
