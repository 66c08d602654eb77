"""`sieveward repeatability`: repeated scans, operators or devices, analysed after ISO 5725-2."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.options import (
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    record_terms,
)
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
)

if TYPE_CHECKING:
    from sieve_inspect.summary.repeatability import Precision

__all__ = ["repeatability"]


def repeatability(
    context: typer.Context,
    table: Annotated[
        Path, typer.Argument(metavar="CSV", help="Columns group,value_um (or direction too).")
    ],
    *,
    record: Annotated[
        str | None, typer.Option("--record", metavar="NAME", help="Keep it under this name.")
    ] = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Tell s_r and s_R of repeated measurements by operators, devices or days."""
    from sieve_registry.quality import studies

    found = studies.read_study(table)
    kept = None
    if record is not None:
        with opened(context, create=True) as registry:
            kept = studies.keep(registry, record, found, record_terms(date, by, why_late))
    payload = {
        "directions": {name: _dict(one) for name, one in found.items()},
        "recorded_as": None if kept is None else kept.subject,
    }
    if emit_json(json_path, payload):
        return
    for name, one in found.items():
        _print(name, one)
    if kept is not None:
        told = f"Kept as {kept.subject!r}: sieveward rule ID --repeatability {kept.subject!r} "
        print_text(told + "counts its s_R in a sieve's checks.")


def _dict(one: Precision) -> dict[str, Any]:
    return {
        "groups": [
            {"group": g, "n": n, "mean": m}
            for g, n, m in zip(one.groups, one.counts, one.means, strict=True)
        ],
        "mean": one.mean,
        "ss_between": one.ss_between,
        "ss_within": one.ss_within,
        "df_between": one.df_between,
        "df_within": one.df_within,
        "f": one.f if one.f < 1e300 else None,
        "p_value": one.p_value,
        "s_r": one.s_r,
        "s_L": one.s_L,
        "s_R": one.s_R,
        "r_limit": one.r_limit,
        "R_limit": one.R_limit,
        "outliers": [dict(outlier.__dict__) for outlier in one.outliers],
    }


def _print(name: str, one: Precision) -> None:
    print_line(f"Direction {name}" if name else "All values")
    rows = [
        [group[:30], str(n), f"{mean:.4f}"]
        for group, n, mean in zip(one.groups, one.counts, one.means, strict=True)
    ]
    print_table("", ("group", "n", "mean, um"), rows, numeric=("n", "mean, um"))
    print_line()
    squares = [
        ("between", one.ss_between, one.df_between, one.ms_between),
        ("within", one.ss_within, one.df_within, one.ms_within),
    ]
    rows = [[what, f"{ss:.6g}", str(df), f"{ms:.6g}"] for what, ss, df, ms in squares]
    columns = ("squares", "sum", "df", "mean square")
    print_table("", columns, rows, numeric=columns[1:])
    print_line()
    print_line(f"F = {one.f:.4g}, p = {one.p_value:.3g}")
    print_line(f"s_r {one.s_r:.4f} um   s_L {one.s_L:.4f} um   s_R {one.s_R:.4f} um")
    print_line(f"limits r = {one.r_limit:.4f} um, R = {one.R_limit:.4f} um (2.8 times)")
    for outlier in one.outliers:
        told = (
            f"{outlier.test}: group {outlier.group} is an {outlier.level} "
            if outlier.level == "outlier"
            else f"{outlier.test}: group {outlier.group} is a {outlier.level} "
        )
        print_text(f"{told}({outlier.statistic:.3f} over {outlier.critical:.3f}): look why.")
    print_line()
