"""`sieveward effect`: how measured apertures change a reported size distribution."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option

if TYPE_CHECKING:
    from sieve_registry.quality.effects import SieveEffect

_PASSING = "percent U_percent shift"


def effect(
    context: typer.Context,
    sieve_ids: Annotated[list[str] | None, argument("One sieve or several.", "ID…")] = None,
    *,
    psd: Annotated[Path, option("Distribution: size_um,passing_percent.", "CSV")],
    stack: Annotated[str | None, option("All sieves of a stack.", "NAME")] = None,
    plot: Annotated[Path | None, option("Draw the distribution.", "SVG")] = None,
    table: Annotated[Path | None, option("Write the table as CSV.", "PATH", name="--csv")] = None,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """Show how the measured apertures change a size distribution, and whether it matters."""
    from sieve_registry.quality.curves import read_curve
    from sieve_registry.quality.effects import effects_of, fractions

    output.check_outputs(
        [("--plot", plot), ("--csv", table)], json_path, [("the distribution", psd)]
    )
    curve = read_curve(psd)
    with options.opened(context) as registry:
        day = options.read_day(as_of)
        names = list(sieve_ids or [])
        if stack is not None:
            from sieve_registry.sieves import stacks

            names += [state.sieve.id for state in stacks.ready(registry, stack, day).sieves]
        if not names:
            raise UsageError(message="Sieve missing: name at least one, or give --stack.")
        effects = effects_of(registry, names, curve, day)
    rows = fractions(effects) if len(effects) > 1 else []
    if plot is not None:
        from sieve_registry.report.charts import effect_svg

        output.write_bytes(plot, effect_svg(curve, effects).encode())
    if table is not None:
        output.write_bytes(table, _csv(effects))
    if not output.emit(json_path, _dict(effects, rows)):
        _print(effects, rows)


def _dict(effects: list[SieveEffect], rows: list[tuple[str, float, float]]) -> dict[str, Any]:
    return {
        "sieves": [
            {
                **output.fields(e, "id=sieve_id check=check_id nominal_um mean_um U_mean_um"),
                "passing_at_nominal": e.at_nominal,
                "at_mean": output.fields(e.at_mean, _PASSING),
                "over_all": e.over_all and output.fields(e.over_all, _PASSING),
                **output.fields(e, "s_R_percent=s_between inside_distribution=inside"),
                **output.fields(e, "verdict matters"),
            }
            for e in effects
        ],
        "fractions": [
            {"on": name, "at_nominal": nominal, "measured": real} for name, nominal, real in rows
        ],
    }


def _csv(effects: list[SieveEffect]) -> bytes:
    from sieve_registry.exchange.sheets import csv_bytes

    rows: list[tuple[str | Decimal, ...]] = [
        ("sieve", "check", "nominal_um", "mean_um", "U_mean_um", "passing_at_nominal_percent",
         "passing_at_mean_percent", "passing_over_all_percent", "shift_percent", "U_percent",
         "s_R_percent", "verdict")
    ]  # fmt: skip
    for e in effects:
        over_all = None if e.over_all is None else e.over_all.percent
        figures = (e.nominal_um, e.mean_um, e.U_mean_um, e.at_nominal, e.at_mean.percent, over_all)
        last = (e.main.shift, e.main.U_percent, e.s_between)
        numbers = ("" if value is None else Decimal(f"{value:.3f}") for value in (*figures, *last))
        rows.append((e.sieve_id, e.check_id, *numbers, e.verdict))
    return csv_bytes(rows)


def _print(effects: list[SieveEffect], rows: list[tuple[str, float, float]]) -> None:
    columns = {
        "sieve": "", "nominal": ">g", "mean, um": ">.2f", "U": ">.2f", "nominal %": ">.2f",
        "mean %": ">.2f", "all %": ">.2f", "s_R": ">.2f",
    }  # fmt: skip
    cells = [
        (output.shortened(e.sieve_id), e.nominal_um, e.mean_um, e.U_mean_um, e.at_nominal,
         e.at_mean.percent, e.over_all and e.over_all.percent, e.s_between)
        for e in effects
    ]  # fmt: skip
    output.table("Percent passing", columns, cells)
    output.line()
    for e in effects:
        text = (
            f"{e.sieve_id}: {e.main.shift:+.2f} % ± {e.main.U_percent:.2f} % passing by "
            f"{e.check_id}: {e.verdict}."
        )
        output.text(text, "  ")
    if rows:
        output.line()
        shown = [(name[:20], a, b, b - a) for name, a, b in rows]
        heads = {"on": "", "nominal %": ">.2f", "measured %": ">.2f", "shift %": ">+.2f"}
        output.table("Retained on each sieve, percent of the sample", heads, shown)
    output.line()
    output.text(
        "All: each particle meets one measured aperture at random; long sieving finds "
        "the widest. s_R: spread between laboratories, below 0.05 √(P (100 − P)) "
        "(aggregates, BRE ring trial)."
    )
