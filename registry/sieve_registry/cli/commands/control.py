"""`sieveward control`: the control chart of a sieve kept as a check standard."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.quality.control_chart import ControlChart


class FailOnAlarm(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    ALARM = "alarm"


def control(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    base: Annotated[int, option("Number of first checks that set the limits.", "N")] = 5,
    as_of: options.AsOf = None,
    plot: Annotated[Path | None, option("Draw both charts.", "SVG")] = None,
    fail_on: Annotated[FailOnAlarm | None, option("Exit 1 when the last check warns.")] = None,
    json_path: options.Json = None,
) -> None:
    """Control chart of a check standard: limits at 3 σ, runs and trends of seven."""
    from sieve_registry.quality.control_chart import control_charts
    from sieve_registry.sieves.queries import get_history

    output.check_outputs([("--plot", plot)], json_path)
    with options.opened(context) as registry:
        day = options.read_day(as_of)
        charts = control_charts(registry, sieve_id, base=base, day=day)
        sieve = get_history(registry, sieve_id).sieve
    if plot is not None:
        from sieve_registry.report.control import control_svg

        output.write_bytes(plot, control_svg(sieve.id, charts, sieve.nominal_um).encode())
    if not output.emit(json_path, {"id": sieve_id, "charts": [_dict(chart) for chart in charts]}):
        for chart in charts:
            _print(chart, base)
    last = [chart.points[-1] for chart in charts if chart.points]
    if fail_on is not None and any(point.alarms for point in last):
        raise typer.Exit(1)


def _dict(chart: ControlChart) -> dict[str, Any]:
    return {
        "direction": chart.direction,
        "centre_um": chart.centre_um,
        "sigma_um": chart.sigma_um,
        "limits_um": None if chart.limits_um is None else list(chart.limits_um),
        "points": [
            output.fields(point, "check=check_id date=on_date value_um base alarms")
            for point in chart.points
        ],
    }


def _print(chart: ControlChart, base: int) -> None:
    if chart.limits_um is None:
        output.text(f"{chart.direction}: {len(chart.points)} checks, limits need {base}.")
    else:
        low, high = chart.limits_um
        output.line(
            f"{chart.direction}: centre {chart.centre_um:.2f} um, limits {low:.2f} to {high:.2f} um"
        )
    rows = [
        (p.check_id, p.on_date, p.value_um, "base" if p.base else "", ", ".join(p.alarms))
        for p in chart.points
    ]
    columns = {"check": "", "date": "", "mean, um": ">.2f", "": "", "warns": ""}
    output.table("", columns, rows)
