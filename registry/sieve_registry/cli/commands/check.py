"""`sieveward check`: measure a sieve's scans, judge them, record the check."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import FAILING, FOR_INFORMATION, NOT_JUDGED, Outcome
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import detail_dict, length_text

if TYPE_CHECKING:
    import datetime

    from sieve_inspect.illumination.model import Illumination
    from sieve_registry.checks.positions import Position
    from sieve_registry.ledger.records import CheckDetail
    from sieve_registry.people.recording import RecordTerms
    from sieve_registry.scales.equipment_use import UsedEquipment
    from sieve_registry.store.engine import Registry


class FailOn(StrEnum):
    """The outcome from which `--fail-on` ends with exit code 1."""

    FAIL = "fail"
    CONDITIONAL = "conditional"


# The outcomes that answer no; "conditional" means anything but a plain pass.
_NO = {
    FailOn.FAIL: (Outcome.FAIL,),
    FailOn.CONDITIONAL: (*FAILING, Outcome.CONDITIONAL_PASS, NOT_JUDGED, FOR_INFORMATION),
}

_MARGIN_COLUMNS = {
    "value, um": "", "direction": "", "measured": ">.2f", "U": ">.2f", "from": ">.2f", "to": ">.2f",
    "outcome": "",
}  # fmt: skip


ScaleNameOption = Annotated[
    str | None, option("A recorded scale, or a scale file.", "NAME|FILE", name="--scale")
]
LightOption = Annotated[
    str | None, option("A recorded illumination, or an illumination file.", "NAME|FILE")
]
SettingOption = Annotated[
    str | None, option("Setting of the scans; must match the scale's setting.", "T")
]
PositionsOption = Annotated[
    str | None,
    option("Positions of the scans, mm: X,Y X,Y …, a table, or names (of the files).", "T"),
]
VisualOption = Annotated[
    str, option("Visual examination of cloth and label: ok, or the fault seen.", "ok|FAULT")
]
AcceptClothOption = Annotated[str, option("Reason to record cloth of another sieve.", "REASON")]
AcceptExpiredOption = Annotated[str, option("Accept an expired scale or artefact: why.", "REASON")]
AcceptScaleOption = Annotated[
    str, option("Accept a scale that the scans' dpi tags contradict: why.", "REASON")
]
AcceptScanOption = Annotated[
    str,
    option("Reason to check scans of an earlier check again, or by overlapping fields.", "REASON"),
]
InformationOption = Annotated[
    bool, typer.Option("--for-information", help="Record the measurement, judge nothing.")
]
TurnedOption = Annotated[
    float | None,
    option("How far the label was turned clockwise from upright in the scans.", "DEG"),
]
TargetOption = Annotated[
    str | None, option("Artefact beside the cloth that gives the scale.", "ID")
]
RegionOption = Annotated[str | None, option("Its place, px (default: detected).", "L,T,R,B")]


def check(
    context: typer.Context,
    sieve_id: Annotated[str, argument("The sieve that was scanned.", "ID")],
    images: Annotated[list[Path], argument("Its scans.", "IMAGE…")],
    *,
    scale_name: ScaleNameOption = None,
    um_per_px: options.UmPerPx = None,
    lamp_angle: options.LampAngle = None,
    view_angle: options.ViewAngle = None,
    illumination: LightOption = None,
    encoding: options.Encoding = "auto",
    setting: SettingOption = None,
    stand_off: Annotated[str | None, option("Height of the cloth above the glass.", "L")] = None,
    temperature: options.Temperature = None,
    humidity: options.Humidity = None,
    positions: PositionsOption = None,
    equipment: options.EquipmentUsed = None,
    accept_expired: AcceptExpiredOption = "",
    accept_scale: AcceptScaleOption = "",
    accept_scan: AcceptScanOption = "",
    turned: TurnedOption = None,
    target_in_scan: TargetOption = None,
    target_region: RegionOption = None,
    accept_cloth: AcceptClothOption = "",
    visual: VisualOption = "",
    for_information: InformationOption = False,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    fail_on: Annotated[FailOn | None, option("Exit 1 for this outcome or worse.")] = None,
    json_path: options.Json = None,
) -> None:
    """Measure a sieve's scans, judge them by its standard, and record the check with evidence."""
    from sieve_registry.checks import commands as check_commands
    from sieve_registry.checks.queries import get_check
    from sieve_registry.cli.support.running import print_remark, progress
    from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um
    from sieve_registry.scales.environment import Environment

    _refuse_overwriting(json_path, scale_name, images)
    places, terms = _positions(positions, images), options.terms(date, by, why_late)
    air, stated = Environment(temperature, humidity), options.stated_light(lamp_angle, view_angle)
    with options.opened(context) as registry:
        day, equipped = _before_measuring(registry, terms, equipment)
        request = ScaleRequest(
            day,
            recorded=_default_scale(registry, images, day, (scale_name, um_per_px, target_in_scan)),
            named=scale_name,
            um_per_px=um_per_px,
            setting=setting,
            stand_off_um=None if stand_off is None else parse_stand_off_um(stand_off),
            temperature_c=temperature,
            accept_expired=accept_expired,
            accept_scale=accept_scale,
            turned_deg=turned,
            accepted_by=by,
            artefact=target_in_scan,
            region=options.read_region(target_region, "--target-region"),
            encoding=encoding,
        )
        chosen = choose_scale(registry, request, images, print_remark)
        reason = _reason_to_use_again(registry, images, accept_scan)
        with progress("Measuring", len(images)) as update:
            taken = check_commands.take(
                registry,
                sieve_id,
                images,
                scale=chosen,
                illumination=_light(registry, illumination, stated, chosen.device, day),
                encoding=encoding,
                terms=terms,
                for_information=for_information,
                measure=partial(check_commands.measure_scans, progress=update),
            )
        taken = check_commands.in_environment(taken, air, places)
        taken = check_commands.with_equipment(taken, equipped)
        reason = _reason_to_repeat(taken.overlaps, reason)
        taken = check_commands.accepting(taken, accept_cloth, reason)
        detail = get_check(registry, check_commands.record(registry, taken, terms, visual))
    _answer(detail, taken.cloth.notice, fail_on, json_path)


def _answer(detail: CheckDetail, cloth: str, fail_on: FailOn | None, json_path: str | None) -> None:
    """Write the check; raises `typer.Exit` for an outcome that answers no."""
    if not output.emit(json_path, detail_dict(detail)):
        _print_check(detail, cloth)
    if fail_on is not None and detail.check.outcome in _NO[fail_on]:
        raise typer.Exit(1)


def _refuse_overwriting(json_path: str | None, scale_name: str | None, images: list[Path]) -> None:
    inputs = [("the scale", output.existing_file(scale_name))]
    output.check_outputs([], json_path, inputs + [("the scan", path) for path in images])


def _positions(text: str | None, images: list[Path]) -> tuple[Position, ...]:
    """The places of the scans: typed, from a table, or from the names of the files."""
    from sieve_registry.checks.positions import read_positions
    from sieve_registry.exchange.position_table import positions_of_table

    table = output.existing_file(text)
    if table is not None:
        return positions_of_table(table, images)
    return read_positions(text or "", images)


def _default_scale(
    registry: Registry, images: list[Path], day: datetime.date, stated: tuple[str | None, ...]
) -> str | None:
    """The recorded scale by the dpi of the scans or the settings; None where none is recorded.

    None as well where another scale is `stated`.
    """
    from sieve_registry.cli.support.running import print_remark
    from sieve_registry.scales.default_scale import default_scale, dpi_sentence, recorded_scales
    from sieve_registry.settings import load_settings

    if stated != (None,) * len(stated) or not recorded_scales(registry, day):
        return None
    known = load_settings()
    kept = default_scale(registry, images, day, (known.scale, known.device))
    print_remark(f"{dpi_sentence(kept, images)}.")
    return kept.name


def _before_measuring(
    registry: Registry, terms: RecordTerms, equipment: list[str] | None
) -> tuple[datetime.date, UsedEquipment]:
    """The day of the check and the equipment used; names unvalidated software.

    Refuses a person who may not check, and equipment out of use.
    """
    from sieve_registry.checks.validation import caution
    from sieve_registry.cli.support.running import print_remark
    from sieve_registry.ledger.events import CheckRecorded
    from sieve_registry.people.recording import refuse_unentitled
    from sieve_registry.scales.equipment_use import used_equipment

    refuse_unentitled(registry, CheckRecorded, terms)
    if unvalidated := caution(registry):
        print_remark(f"{unvalidated}.")
    day = terms.on_date or registry.today()
    return day, used_equipment(registry, equipment or (), day)


def _reason_to_use_again(registry: Registry, images: list[Path], given: str) -> str:
    """The reason to check scans of an earlier check; refused without, before the measuring."""
    from sieve_registry.checks.repeats import refuse_without_reason, used_before

    used = used_before(registry, images)
    reason = _reason_to_repeat(used, given)
    refuse_without_reason(used, (), reason)
    return reason


def _reason_to_repeat(sentences: Sequence[str], given: str) -> str:
    """The reason to check what is used or counted again: the one given, or typed at a terminal."""
    from sieve_registry.cli.support.running import print_remark

    if given.strip() or not sentences or not sys.stdin.isatty():
        return given.strip()
    for sentence in sentences:
        print_remark(f"{sentence}.")
    question = "Reason to record the check all the same (Enter: stop)"
    typed = str(typer.prompt(question, default="", show_default=False, err=True)).strip()
    if not typed:
        raise typer.Abort
    return typed


def _light(
    registry: Registry,
    named: str | None,
    stated: Illumination,
    device: str | None,
    day: datetime.date,
) -> Illumination | None:
    """The illumination named or stated for this check; None for that of the device."""
    from sieve_inspect.illumination.model import NOT_STATED
    from sieve_registry.scales.lamps import named_illumination

    if named is None:
        return None if stated == NOT_STATED else stated
    if stated != NOT_STATED:
        raise UsageError(message="Give --illumination, or --lamp-angle and --view-angle, not both.")
    return named_illumination(registry, named, device, day)


def _print_check(detail: CheckDetail, cloth: str) -> None:
    check = detail.check
    head = f"Sieve {check.sieve_id}, {length_text(check.nominal_nm)}, checked on {check.on_date}"
    output.line(f"{head}: {check.outcome}")
    _print_scans(json.loads(detail.event.payload))
    rule = f", decision rule {check.rule}" if check.rule else ""
    if cloth:
        output.text(f"{cloth}.")
    output.line(f"Judged by {check.standard}, {check.grade} grade{rule}.")
    output.listed(check.reasons)
    output.line()
    if detail.margins:
        rows = [
            (m.name, m.direction, m.value_um, m.expanded_um, m.limit_low_um, m.limit_high_um,
             m.outcome)
            for m in detail.margins
        ]  # fmt: skip
        output.table("", _MARGIN_COLUMNS, rows)
        output.line()
    if check.action:
        output.text(check.action_reason or f"Proposed: {check.action}. You decide.")
    output.line(f"Recorded as {check.id}. Its report: sieveward report {check.id}")


def _print_scans(payload: Mapping[str, Any]) -> None:
    """How the scans were read, their scale and environment, and warnings."""
    from sieve_registry.scales.environment import words

    for image in payload["images"]:
        how = ", ".join(image[n] for n in ("encoding", "encoding_reason") if n in image)
        place = ", ".join(image.get("position_mm", ()))
        where = f" at {place} mm" if place else ""
        output.text(f"Scan {image['file']}{where}, read as {how}.")
    for run in (payload.get("trace") or {}).get("check", {}).get("in_scan", ()):
        x, y = (f"{float(value):.6g}" for value in run["um_per_px"])
        output.text(
            f"Scale of {run['file']} by {run['marks']} marks beside the cloth: {x} x {y} um/px."
        )
    source = (payload.get("scale") or {}).get("source")
    if source:
        output.text(f"Scale: {source}.")
    environment = words(payload.get("environment"))
    if environment:
        output.text(f"Environment: {environment}.")
    if payload.get("equipment"):
        output.text(f"Equipment used: {', '.join(payload['equipment'])}.")
    light = payload.get("light")
    if light:
        output.text(f"Light: {light['source']}; ±{2 * float(light['u_glow_um']):.2g} um (k = 2).")
    for warning in payload.get("warnings", ()):
        output.text(f"Warning: {warning}.")
