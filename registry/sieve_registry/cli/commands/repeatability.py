"""`sieveward repeatability`: repeated scans, operators or devices, analysed after ISO 5725-2."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.values import shell_word

if TYPE_CHECKING:
    from sieve_inspect.summary.repeatability import Precision


def repeatability(
    context: typer.Context,
    table: Annotated[Path, argument("Columns group,value_um (or direction too).", "CSV")],
    *,
    record: Annotated[str | None, option("Record it under this name.", "NAME")] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show s_r and s_R of repeated measurements by operators, devices or days."""
    from sieve_registry.quality import studies

    analyses = studies.read_study(table)
    kept = None
    if record is not None:
        with options.opened(context, create=True) as registry:
            kept = studies.record_study(
                registry, record, analyses, options.terms(date, by, why_late)
            )
    payload = {
        "directions": {name: _dict(study) for name, study in analyses.items()},
        "recorded_as": None if kept is None else kept.subject,
    }
    if output.emit(json_path, payload):
        return
    for name, study in analyses.items():
        _print(name, study)
    if kept is not None:
        typed = shell_word(kept.subject, "NAME")
        text = f"Recorded as {kept.subject!r}. sieveward rule ID --repeatability {typed} "
        output.text(text + "includes its s_R in the checks of a sieve.")


def _dict(study: Precision) -> dict[str, Any]:
    return {
        "groups": [
            {"group": g, "n": n, "mean": m}
            for g, n, m in zip(study.groups, study.counts, study.means, strict=True)
        ],
        **output.fields(study, "mean ss_between ss_within df_between df_within"),
        "f": study.f if study.f < 1e300 else None,
        **output.fields(study, "p_value s_r s_L s_R r_limit R_limit"),
        "outliers": [
            output.fields(outlier, "test group statistic critical level")
            for outlier in study.outliers
        ],
    }


def _print(name: str, study: Precision) -> None:
    output.line(f"Direction {name}" if name else "All values")
    groups = [group[:30] for group in study.groups]
    rows = zip(groups, study.counts, study.means, strict=True)
    output.table("", {"group": "", "n": ">", "mean, um": ">.4f"}, rows)
    output.line()
    squares = [
        ("between", study.ss_between, study.df_between, study.ms_between),
        ("within", study.ss_within, study.df_within, study.ms_within),
    ]
    output.table("", {"squares": "", "sum": ">.6g", "df": ">", "mean square": ">.6g"}, squares)
    output.line()
    output.line(f"F = {study.f:.4g}, p = {study.p_value:.3g}")
    output.line(f"s_r {study.s_r:.4f} um   s_L {study.s_L:.4f} um   s_R {study.s_R:.4f} um")
    output.line(f"limits r = {study.r_limit:.4f} um, R = {study.R_limit:.4f} um (2.8 times)")
    for outlier in study.outliers:
        level = f"an {outlier.level}" if outlier.level == "outlier" else f"a {outlier.level}"
        output.text(
            f"{outlier.test}: group {outlier.group} is {level} "
            f"({outlier.statistic:.3f} over {outlier.critical:.3f}): find the cause."
        )
    output.line()
