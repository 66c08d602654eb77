"""`sieveward plan`: how many apertures to measure, where, and whether a check did."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

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

__all__ = ["plan"]


def plan(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve.")],
    *,
    field: Annotated[
        str | None,
        typer.Option("--field", metavar="L", help="Width of one field (5mm); else whole scans."),
    ] = None,
    as_of: AsOfOption = None,
    json_path: JsonOption = None,
) -> None:
    """Say how many apertures to measure and where, and whether the last check did."""
    from sieve_inspect.units import parse_length_um
    from sieve_registry.checks import sampling

    field_mm = None if field is None else parse_length_um(field) / 1000
    with opened(context) as registry:
        view = sampling.view_of(registry, sieve_id, field_mm, read_day(as_of))
    if not emit_json(json_path, _dict(view)):
        _print(view)


def _dict(view: PlanView) -> dict[str, Any]:
    found, last = view.plan, view.last
    return {
        "id": view.sieve_id,
        "nominal_um": found.nominal_um,
        "grade": found.grade,
        "frame_mm": found.frame_mm,
        "frame_assumed": view.frame_assumed,
        "n": found.n,
        "all": found.n is None,
        "fields": found.fields,
        "per_field": found.per_field,
        "places": [dict(place.__dict__) for place in found.places],
        "wires": found.wires,
        "wire_um": found.wire_um,
        "wire_min_um": found.wire_min_um,
        "wire_max_um": found.wire_max_um,
        "reasons": list(found.reasons),
        "check": None
        if last is None
        else {
            "id": last.check_id,
            "met": last.met,
            "lacking": [dict(one.__dict__) for one in last.lacking],
            "wires": [dict(one.__dict__) for one in last.wires],
            "remarks": list(last.remarks),
        },
    }


def _print(view: PlanView) -> None:
    from sieve_inspect.units import format_length

    found = view.plan
    frame = f"{found.frame_mm:g} mm frame" + (" (assumed)" if view.frame_assumed else "")
    print_line(
        f"Sampling plan for sieve {view.sieve_id}: {format_length(found.nominal_um)}, "
        f"{found.grade}, {frame}"
    )
    many = "every full aperture" if found.n is None else f"at least {found.n} in each direction"
    print_line(f"Apertures: {many}")
    print_line(f"Wires: at least {found.wires} in each direction{_span(view)}")
    if len(found.places) == 2:
        print_line("Fields: the whole cloth in one scan, or the full diameter both ways")
    else:
        print_line(
            f"Fields: {found.fields} on each centre line, {found.per_field} apertures in a row each"
        )
        print_line()
        rows = [
            [str(i), place.line, f"{place.x_mm:+.1f}", f"{place.y_mm:+.1f}"]
            for i, place in enumerate(found.places, start=1)
        ]
        columns = ("field", "direction", "right, mm", "down, mm")
        print_table("Middles from the sieve's centre", columns, rows, numeric=columns[2:])
    print_line()
    for reason in found.reasons:
        print_text(f"{reason[0].upper()}{reason[1:]}.")
    _print_last(view)


def _span(view: PlanView) -> str:
    found = view.plan
    if found.wire_min_um is None:
        return ""
    return f", diameter {found.wire_min_um:g} to {found.wire_max_um:g} um"


def _print_last(view: PlanView) -> None:
    last = view.last
    if last is None:
        print_line("No check yet to hold against it.")
        return
    print_line()
    print_line(f"{last.check_id} {'met' if last.met else 'did not meet'} the plan.")
    for one in last.lacking:
        print_line(f"  {one.what}: {one.found} of {one.needed}")
    for wire in last.wires:
        where = "within" if wire.inside else "outside"
        print_line(f"  wires in {wire.direction}: {wire.mean_um:.2f} um, {where} the limits")
    for remark in last.remarks:
        print_text(f"{remark[0].upper()}{remark[1:]}.", "  ", first="  ")
