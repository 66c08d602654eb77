"""`sieveward plan`: how many apertures to measure, and where."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.checks.sampling import PlanView


def plan(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    field: Annotated[
        str | None, option("Width of one field: 5mm (default: full scans).", "L")
    ] = None,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """Show how many apertures to measure and where, and whether the last check did so."""
    from sieve_inspect.units import parse_length_um
    from sieve_registry.checks import sampling

    field_mm = None if field is None else parse_length_um(field) / 1000
    with options.opened(context) as registry:
        view = sampling.view_of(registry, sieve_id, field_mm, options.read_day(as_of))
    if not output.emit(json_path, _dict(view)):
        _print(view)


def _dict(view: PlanView) -> dict[str, Any]:
    plan, last = view.plan, view.last
    return {
        "id": view.sieve_id,
        **output.fields(plan, "nominal_um grade frame_mm"),
        "frame_assumed": view.frame_assumed,
        "n": plan.n,
        "all": plan.n is None,
        **output.fields(plan, "fields per_field"),
        "places": [output.fields(place, "line x_mm y_mm") for place in plan.places],
        **output.fields(plan, "wires wire_um wire_min_um wire_max_um reasons"),
        "check": last
        and {
            **output.fields(last, "id=check_id met"),
            "lacking": [output.fields(lack, "what found=measured needed") for lack in last.lacking],
            "wires": [output.fields(wire, "direction mean_um inside") for wire in last.wires],
            "remarks": list(last.remarks),
        },
    }


def _print(view: PlanView) -> None:
    from sieve_inspect.units import format_length

    plan = view.plan
    frame = f"{plan.frame_mm:g} mm frame" + (" (assumed)" if view.frame_assumed else "")
    output.line(
        f"Sampling plan for sieve {view.sieve_id}: {format_length(plan.nominal_um)}, "
        f"{plan.grade}, {frame}"
    )
    many = "every full aperture" if plan.n is None else f"at least {plan.n} in each direction"
    output.line(f"Apertures: {many}")
    output.line(f"Wires: at least {plan.wires} in each direction{_span(view)}")
    if len(plan.places) == 2:
        output.line(
            "Fields: the complete cloth in one scan, or the full diameter in both directions"
        )
    else:
        output.line(
            f"Fields: {plan.fields} on each centre line, {plan.per_field} apertures in a row each"
        )
        output.line()
        rows = [
            (i, place.line, place.x_mm, place.y_mm) for i, place in enumerate(plan.places, start=1)
        ]
        columns = {"field": "", "direction": "", "right, mm": ">+.1f", "down, mm": ">+.1f"}
        output.table("Centres of the fields from the centre of the sieve", columns, rows)
    output.line()
    for reason in plan.reasons:
        output.text(f"{reason[0].upper()}{reason[1:]}.")
    _print_last(view)


def _span(view: PlanView) -> str:
    plan = view.plan
    if plan.wire_min_um is None:
        return ""
    return f", diameter {plan.wire_min_um:g} to {plan.wire_max_um:g} um"


def _print_last(view: PlanView) -> None:
    last = view.last
    if last is None:
        output.line("No check yet to compare with the plan.")
        return
    output.line()
    output.line(f"{last.check_id} {'met' if last.met else 'did not meet'} the plan.")
    for lack in last.lacking:
        output.line(f"  {lack.what}: {lack.measured} of {lack.needed}")
    for wire in last.wires:
        where = "within" if wire.inside else "outside"
        output.line(f"  wires in {wire.direction}: {wire.mean_um:.2f} um, {where} the limits")
    for remark in last.remarks:
        output.text(f"{remark[0].upper()}{remark[1:]}.", "  ", first="  ")
