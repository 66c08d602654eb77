"""`sieveward effect`: how measured apertures change a reported size distribution."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.options import AsOfOption, opened, read_day
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
    shortened,
    write_bytes,
)
from sieve_registry.cli.support.output_files import check_outputs

if TYPE_CHECKING:
    from sieve_registry.quality.effect_rules import Passing, SieveEffect


def effect(
    context: typer.Context,
    sieve_ids: Annotated[
        list[str] | None, typer.Argument(metavar="ID…", help="One sieve or several.")
    ] = None,
    *,
    psd: Annotated[
        Path, typer.Option("--psd", metavar="CSV", help="Distribution: size_um,passing_percent.")
    ],
    stack: Annotated[
        str | None, typer.Option("--stack", metavar="NAME", help="All sieves of a stack.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="SVG", help="Draw the distribution.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--csv", metavar="PATH", help="Write the table as CSV.")
    ] = None,
    as_of: AsOfOption = None,
    json_path: JsonOption = None,
) -> None:
    """Show how the measured apertures change a size distribution, and whether it matters."""
    from sieve_registry.quality.curves import read_curve
    from sieve_registry.quality.effect_rules import fractions
    from sieve_registry.quality.effects import effects_of

    check_outputs([("--plot", plot), ("--csv", table)], json_path, [("the distribution", psd)])
    curve = read_curve(psd)
    with opened(context) as registry:
        day = read_day(as_of)
        names = list(sieve_ids or [])
        if stack is not None:
            from sieve_registry.sieves import stacks

            names += [state.sieve.id for state in stacks.ready(registry, stack, day).sieves]
        if not names:
            raise UsageError(message="Sieve missing: name at least one, or give --stack.")
        effects = effects_of(registry, names, curve, day)
    rows = fractions(effects) if len(effects) > 1 else []
    if plot is not None:
        from sieve_registry.report.effect_chart import effect_svg

        write_bytes(plot, effect_svg(curve, effects).encode())
    if table is not None:
        write_bytes(table, _csv(effects))
    if not emit_json(json_path, _dict(effects, rows)):
        _print(effects, rows)


def _dict(effects: list[SieveEffect], rows: list[tuple[str, float, float]]) -> dict[str, Any]:
    return {
        "sieves": [
            {
                "id": e.sieve_id,
                "check": e.check_id,
                "nominal_um": e.nominal_um,
                "mean_um": e.mean_um,
                "U_mean_um": e.U_mean_um,
                "passing_at_nominal": e.at_nominal,
                "at_mean": _passing(e.at_mean),
                "over_all": None if e.over_all is None else _passing(e.over_all),
                "s_R_percent": e.s_between,
                "inside_distribution": e.inside,
                "verdict": e.verdict,
                "matters": e.matters,
            }
            for e in effects
        ],
        "fractions": [
            {"on": name, "at_nominal": nominal, "measured": real} for name, nominal, real in rows
        ],
    }


def _passing(value: Passing) -> dict[str, float]:
    return {"percent": value.percent, "U_percent": value.U_percent, "shift": value.shift}


def _csv(effects: list[SieveEffect]) -> bytes:
    import csv
    import io

    from sieve_registry.exchange.sheets import csv_cell

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(
        [
            "sieve",
            "check",
            "nominal_um",
            "mean_um",
            "U_mean_um",
            "passing_at_nominal_percent",
            "passing_at_mean_percent",
            "passing_over_all_percent",
            "shift_percent",
            "U_percent",
            "s_R_percent",
            "verdict",
        ]
    )
    for e in effects:
        over_all = "" if e.over_all is None else f"{e.over_all.percent:.3f}"
        figures = (e.nominal_um, e.mean_um, e.U_mean_um, e.at_nominal, e.at_mean.percent)
        last = (e.main.shift, e.main.U_percent, e.s_between)
        writer.writerow(
            [
                csv_cell(e.sieve_id),
                e.check_id,
                *(f"{value:.3f}" for value in figures),
                over_all,
                *(f"{value:.3f}" for value in last),
                e.verdict,
            ]
        )
    return text.getvalue().encode("utf-8-sig")


def _print(effects: list[SieveEffect], rows: list[tuple[str, float, float]]) -> None:
    columns = ("sieve", "nominal", "mean, um", "U", "nominal %", "mean %", "all %", "s_R")
    cells = [
        [
            shortened(e.sieve_id),
            f"{e.nominal_um:g}",
            f"{e.mean_um:.2f}",
            f"{e.U_mean_um:.2f}",
            f"{e.at_nominal:.2f}",
            f"{e.at_mean.percent:.2f}",
            "-" if e.over_all is None else f"{e.over_all.percent:.2f}",
            f"{e.s_between:.2f}",
        ]
        for e in effects
    ]
    print_table("Percent passing", columns, cells, numeric=columns[1:])
    print_line()
    for e in effects:
        text = (
            f"{e.sieve_id}: {e.main.shift:+.2f} % ± {e.main.U_percent:.2f} % passing by "
            f"{e.check_id}: {e.verdict}."
        )
        print_text(text, "  ")
    if rows:
        print_line()
        shown = [[name[:20], f"{a:.2f}", f"{b:.2f}", f"{b - a:+.2f}"] for name, a, b in rows]
        heads = ("on", "nominal %", "measured %", "shift %")
        print_table(
            "Retained on each sieve, percent of the sample", heads, shown, numeric=heads[1:]
        )
    print_line()
    print_text(
        "All: each particle meets one measured aperture at random; long sieving finds "
        "the widest. s_R: spread between laboratories, below 0.05 √(P (100 − P)) "
        "(aggregates, BRE ring trial)."
    )
