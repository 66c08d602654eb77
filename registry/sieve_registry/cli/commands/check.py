"""`sieveward check`: measure a sieve's scans, judge them, record the check."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.commands.device import length_or_zero
from sieve_registry.cli.support.options import ByOption, DateOption, WhyLateOption, opened, read_day
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_table
from sieve_registry.cli.support.output_files import check_outputs
from sieve_registry.cli.support.scales import file_there, find_scale, numbers

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_registry.records import CheckDetail
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.scales.check_scale import CheckScale
    from sieve_registry.scales.traceability import Circumstances
    from sieve_registry.store.engine import Registry

__all__ = ["FailOn", "check"]


class FailOn(StrEnum):
    """From which outcome on `--fail-on` ends with exit code 1."""

    FAIL = "fail"
    CONDITIONAL = "conditional"


# What each choice calls a no; "conditional" means anything but a plain pass.
_NO = {
    FailOn.FAIL: ("fail",),
    FailOn.CONDITIONAL: ("fail", "conditional fail", "conditional pass", "not judged"),
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
    um_per_px: Annotated[
        str | None, typer.Option("--um-per-px", metavar="X[,Y]", help="Or the scale by hand.")
    ] = None,
    encoding: Annotated[
        str, typer.Option("--encoding", metavar="E", help="srgb, linear or auto.")
    ] = "auto",
    setting: Annotated[
        str | None, typer.Option(metavar="T", help="Setting of the scans: refused if another.")
    ] = None,
    stand_off: Annotated[
        str | None, typer.Option(metavar="L", help="How far above the glass the cloth lay.")
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="C", help="Of the room, degrees Celsius.")
    ] = None,
    accept_expired: Annotated[
        str, typer.Option(metavar="REASON", help="Why an expired scale or artefact may serve.")
    ] = "",
    target_in_scan: Annotated[
        str | None,
        typer.Option(metavar="ID", help="Artefact beside the cloth: it gives this run's scale."),
    ] = None,
    target_region: Annotated[
        str | None, typer.Option(metavar="L,T,R,B", help="Where it lies, px (else it is found).")
    ] = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    fail_on: Annotated[
        FailOn | None, typer.Option("--fail-on", help="Exit code 1 from this outcome on.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Measure a sieve's scans, judge them by its standard, and record the check with proof."""
    from sieve_registry.checks import commands as check_commands
    from sieve_registry.cli.support.records import detail_dict
    from sieve_registry.scales.traceability import Circumstances

    scale_file = None if scale_name is None else file_there(scale_name)
    given = [("the scale", scale_file), *(("the scan", path) for path in images)]
    check_outputs([], json_path, given)
    day, off = read_day(date), None if stand_off is None else length_or_zero(stand_off)
    box = numbers(target_region, "--target-region", 4)
    with opened(context) as registry:
        told = Circumstances(day or registry.today(), setting, off, temperature, accept_expired, by)
        known = _known(registry, scale_name, um_per_px, told, needed=target_in_scan is None)
        found = _chain(registry, known, images, target_in_scan, box, encoding, told)
        detail = check_commands.check(
            registry,
            sieve_id,
            images,
            scale=found,
            encoding=encoding,
            on_date=day,
            by=by,
            late_reason=why_late,
        )
    if not emit_json(json_path, detail_dict(detail)):
        _print_check(detail)
    if fail_on is not None and detail.check.outcome in _NO[fail_on]:
        raise typer.Exit(1)


def _known(
    registry: Registry,
    name: str | None,
    by_hand: str | None,
    told: Circumstances,
    *,
    needed: bool,
) -> KeptScale | Scale | None:
    """The scale named or typed, None where none is and none is needed."""
    from sieve_inspect.errors import MissingScaleError, UsageError
    from sieve_inspect.scale import scale_from_text

    if name is not None and by_hand is not None:
        raise UsageError(message="Give --scale or --um-per-px, not both.")
    if by_hand is not None:
        return scale_from_text(by_hand)
    if name is not None:
        return find_scale(registry, name, told.day)
    if needed:
        raise MissingScaleError()
    return None


def _chain(
    registry: Registry,
    known: KeptScale | Scale | None,
    images: list[Path],
    artefact_id: str | None,
    box: list[float] | None,
    encoding: str,
    told: Circumstances,
) -> CheckScale | Scale:
    """The scale with its chain, where a record of it or an artefact in the scan gives one."""
    from sieve_inspect.errors import UsageError
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.scales.in_scan import traced_in_scan
    from sieve_registry.scales.traceability import traced

    if artefact_id is None and box is not None:
        raise UsageError(message="--target-region is where the artefact of --target-in-scan lies.")
    if not isinstance(known, KeptScale):
        _refuse_unknown(told.setting, told.stand_off_um)
        if artefact_id is None:
            _refuse_unknown(told.temperature_c, told.accept_expired)
    if artefact_id is not None:
        place = None if box is None else (int(box[0]), int(box[1]), int(box[2]), int(box[3]))
        return traced_in_scan(
            registry, artefact_id, images, known, told, region=place, encoding=encoding
        )
    assert known is not None
    return traced(registry, known, told) if isinstance(known, KeptScale) else known


def _refuse_unknown(*told: str | float | None) -> None:
    """What is said of the circumstances has to be held against something."""
    from sieve_inspect.errors import UsageError

    if any(one is not None and one != "" for one in told):
        raise UsageError(
            message="--setting, --stand-off, --temperature and --accept-expired are held against "
            "a recorded scale: name one with --scale, or leave them out."
        )


def _print_check(detail: CheckDetail) -> None:
    from sieve_registry.cli.support.records import length_text, margin_cells

    found = detail.check
    head = f"Sieve {found.sieve_id}, {length_text(found.nominal_nm)}, checked on {found.on_date}"
    print_line(f"{head}: {found.outcome}")
    rule = f", decision rule {found.rule}" if found.rule else ""
    payload = json.loads(detail.event.payload)
    for image in payload["images"]:
        words = ", ".join(image[n] for n in ("encoding", "encoding_reason") if n in image)
        print_line(fill(f"Scan {image['file']}, read as {words}.", 78))
    for one in (payload.get("trace") or {}).get("check", {}).get("in_scan", ()):
        x, y = (f"{float(value):.6g}" for value in one["um_per_px"])
        line = f"Scale of {one['file']} by {one['marks']} marks beside the cloth: {x} x {y} um/px."
        print_line(fill(line, 78))
    source = (payload.get("scale") or {}).get("source")
    if source:
        print_line(fill(f"Scale: {source}.", 78))
    for warning in payload.get("warnings", ()):
        print_line(fill(f"Warning: {warning}.", 78))
    print_line(f"Judged by {found.standard}, {found.grade} grade{rule}.")
    for reason in found.reasons:
        print_line(fill(reason, 78, initial_indent="  - ", subsequent_indent="    "))
    print_line()
    if detail.margins:
        columns = ("value, um", "direction", "found", "U", "from", "to", "outcome")
        rows = [margin_cells(margin) for margin in detail.margins]
        print_table("", columns, rows, numeric=("found", "U", "from", "to"))
        print_line()
    if found.action:
        print_line(fill(found.action_reason or f"Proposed: {found.action}. You decide.", 78))
    print_line(f"Recorded as {found.id}. Its report: sieveward report {found.id}")
