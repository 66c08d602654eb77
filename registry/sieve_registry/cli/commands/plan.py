"""`sieveward plan`: how many apertures to measure, and where."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.json_fields import fields
from sieve_registry.cli.support.options import AsOfOption, opened, read_day
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
)

if TYPE_CHECKING:
    from sieve_registry.checks.sampling import PlanView


def plan(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve.")],
    *,
    field: Annotated[
        str | None,
        typer.Option("--field", metavar="L", help="Width of one field: 5mm (default: full scans)."),
    ] = None,
    as_of: AsOfOption = None,
    json_path: JsonOption = None,
) -> None:
    """Show how many apertures to measure and where, and whether the last check did so."""
    from sieve_inspect.units import parse_length_um
    from sieve_registry.checks import sampling

    field_mm = None if field is None else parse_length_um(field) / 1000
    with opened(context) as registry:
        view = sampling.view_of(registry, sieve_id, field_mm, read_day(as_of))
    if not emit_json(json_path, _dict(view)):
        _print(view)


def _dict(view: PlanView) -> dict[str, Any]:
    plan, last = view.plan, view.last
    return {
        "id": view.sieve_id,
        "nominal_um": plan.nominal_um,
        "grade": plan.grade,
        "frame_mm": plan.frame_mm,
        "frame_assumed": view.frame_assumed,
        "n": plan.n,
        "all": plan.n is None,
        "fields": plan.fields,
        "per_field": plan.per_field,
        "places": [fields(place, "line", "x_mm", "y_mm") for place in plan.places],
        "wires": plan.wires,
        "wire_um": plan.wire_um,
        "wire_min_um": plan.wire_min_um,
        "wire_max_um": plan.wire_max_um,
        "reasons": list(plan.reasons),
        "check": None
        if last is None
        else {
            "id": last.check_id,
            "met": last.met,
            "lacking": [
                {"what": lack.what, "found": lack.measured, "needed": lack.needed}
                for lack in last.lacking
            ],
            "wires": [fields(wire, "direction", "mean_um", "inside") for wire in last.wires],
            "remarks": list(last.remarks),
        },
    }


def _print(view: PlanView) -> None:
    from sieve_inspect.units import format_length

    plan = view.plan
    frame = f"{plan.frame_mm:g} mm frame" + (" (assumed)" if view.frame_assumed else "")
    print_line(
        f"Sampling plan for sieve {view.sieve_id}: {format_length(plan.nominal_um)}, "
        f"{plan.grade}, {frame}"
    )
    many = "every full aperture" if plan.n is None else f"at least {plan.n} in each direction"
    print_line(f"Apertures: {many}")
    print_line(f"Wires: at least {plan.wires} in each direction{_span(view)}")
    if len(plan.places) == 2:
        print_line(
            "Fields: the complete cloth in one scan, or the full diameter in both directions"
        )
    else:
        print_line(
            f"Fields: {plan.fields} on each centre line, {plan.per_field} apertures in a row each"
        )
        print_line()
        rows = [
            [str(i), place.line, f"{place.x_mm:+.1f}", f"{place.y_mm:+.1f}"]
            for i, place in enumerate(plan.places, start=1)
        ]
        columns = ("field", "direction", "right, mm", "down, mm")
        print_table(
            "Centres of the fields from the centre of the sieve", columns, rows, numeric=columns[2:]
        )
    print_line()
    for reason in plan.reasons:
        print_text(f"{reason[0].upper()}{reason[1:]}.")
    _print_last(view)


def _span(view: PlanView) -> str:
    plan = view.plan
    if plan.wire_min_um is None:
        return ""
    return f", diameter {plan.wire_min_um:g} to {plan.wire_max_um:g} um"


def _print_last(view: PlanView) -> None:
    last = view.last
    if last is None:
        print_line("No check yet to compare with the plan.")
        return
    print_line()
    print_line(f"{last.check_id} {'met' if last.met else 'did not meet'} the plan.")
    for lack in last.lacking:
        print_line(f"  {lack.what}: {lack.measured} of {lack.needed}")
    for wire in last.wires:
        where = "within" if wire.inside else "outside"
        print_line(f"  wires in {wire.direction}: {wire.mean_um:.2f} um, {where} the limits")
    for remark in last.remarks:
        print_text(f"{remark[0].upper()}{remark[1:]}.", "  ", first="  ")
