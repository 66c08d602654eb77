"""`sieveward wear` and `recloth`: the trend of a sieve's apertures, and when it ends."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_registry.outlook.queries import Outlook
    from sieve_registry.outlook.sieving_methods import MethodComparison
    from sieve_registry.outlook.wear import Trend

_SHORT = {"mean": "mean", "standard deviation": "s", "largest aperture": "largest"}


def wear(
    context: typer.Context,
    sieve_id: options.Sieve,
    as_of: options.AsOf = None,
    plot: Annotated[Path | None, option("Draw the means with their trends.", "SVG")] = None,
    json_path: options.Json = None,
) -> None:
    """Show how a sieve's apertures change with use, and when a limit will be reached."""
    from sieve_registry.outlook import queries

    output.check_outputs([("--plot", plot)], json_path)
    with options.opened(context) as registry:
        outlook = queries.outlook(registry, sieve_id, options.read_day(as_of))
    if plot is not None:
        from sieve_registry.report.wear import wear_svg

        output.write_bytes(plot, wear_svg(outlook).encode())
    if not output.emit(json_path, wear_dict(outlook)):
        _print(outlook)


def recloth(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    reason: Annotated[str, option("Why, and by whom it was fitted.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record new cloth in the frame: the trend starts again, and a check is needed."""
    from sieve_registry.outlook.commands import replace_cloth

    with options.opened(context) as registry:
        terms = options.terms(date, by, why_late)
        event = replace_cloth(registry, sieve_id, reason, terms)
    if not output.emit(json_path, {"id": event.subject, "date": event.on_date, "reason": reason}):
        output.line(f"Recorded new cloth in sieve {event.subject} on {event.on_date}.")
        output.line("Check it before use: all earlier checks are of the old cloth.")


def wear_dict(outlook: Outlook) -> dict[str, Any]:
    """`wear --json`."""
    worn = outlook.wear
    first = worn.first
    return {
        **output.fields(worn, "id=sieve_id as_of"),
        "axis": "uses" if worn.by_uses else "days",
        **output.fields(worn, "at uses_per_year=rate_per_year"),
        "rule": outlook.data.rule.rule,
        "checks": [check.id for check in worn.checks],
        "certificates": [certificate.id for certificate in worn.certificates],
        "steps": [output.fields(step, "date=on_date reason new_cloth") for step in worn.steps],
        "trends": [_trend_dict(trend) for trend in worn.trends],
        "first": first and output.fields(first, "name direction"),
        "one_widens_one_narrows": worn.directions_diverge,
        "methods": [_methods_dict(methods) for methods in outlook.methods],
        **output.fields(outlook, "action=advice.action action_reason=advice.reason"),
    }


def _trend_dict(trend: Trend) -> dict[str, Any]:
    reach = trend.reach
    return {
        **output.fields(trend, "name direction checks now_um"),
        "U_now_um": None if trend.u_now_um is None else 2 * trend.u_now_um,
        "slope": trend.slope,
        "slope_interval": None if trend.slope is None else [trend.slope_low, trend.slope_high],
        **output.fields(trend, "distinguishable=significant scatter_factor reached_already"),
        "reach": reach
        and {
            **output.fields(reach, "limit_less_band_um=limit_um at"),
            "interval": [reach.low, reach.high],
            **output.fields(reach, "date=day"),
            "date_interval": list(output.fields(reach, "day_low day_high").values()),
        },
        "problem": trend.problem,
        "evidence": str(trend.evidence),
        "changes": trend.changes,
        "by_means": None if trend.by_means is None else _trend_dict(trend.by_means),
    }


def _methods_dict(methods: MethodComparison) -> dict[str, Any]:
    return {
        **output.fields(methods, "direction problem"),
        "wear": [output.fields(wear, "method uses slope low high") for wear in methods.wear],
        "differences": [
            output.fields(pair, "method other difference low high plain=significant")
            for pair in methods.differences
        ],
    }


def _print(outlook: Outlook) -> None:
    worn = outlook.wear
    per = "1000 uses" if worn.by_uses else "year"
    at = f"{worn.at:.0f} uses" if worn.by_uses else f"{worn.at:.0f} days since its first check"
    output.line(f"Wear of sieve {worn.sieve_id} on {worn.as_of}, {at}")
    columns = {
        "value": "", "": "", "now, um": ">.2f", "U": ">.2f", f"um per {per}": ">+.2f", "95 %": "",
        "at limit": "",
    }  # fmt: skip
    output.table("", columns, [_cells(trend) for trend in worn.trends])
    output.line()
    for sentence in _sentences(outlook):
        output.text(sentence)


def _cells(trend: Trend) -> tuple[object, ...]:
    named = (_SHORT[trend.name], trend.direction)
    if trend.now_um is None or trend.slope is None:
        return (*named, None, None, None, None, None)
    span = f"{trend.slope_low:+.2f} to {trend.slope_high:+.2f}"
    when = "now" if trend.reached_already else "-"
    if trend.reach is not None:
        day = trend.reach.day
        when = str(day) if day else f"{trend.reach.at:.0f} uses"
    return (*named, trend.now_um, 2 * (trend.u_now_um or 0.0), trend.slope, span, when)


def _sentences(outlook: Outlook) -> list[str]:
    from sieve_registry.report.formatting import Lengths
    from sieve_registry.report.wear import reach_text, wear_evidence, wear_remarks

    worn, first = outlook.wear, outlook.wear.first
    sentences = []
    # The table has the day of each limit; the first to be reached gets a sentence.
    if first is not None and first.reach is not None:
        sentences.append(
            f"The {first.name} in {first.direction} reaches the acceptance limit of "
            f"{first.reach.limit_um:.2f} um {reach_text(first.reach, worn)}"
        )
    for trend in worn.reached:
        sentences.append(f"By its trend the {trend.name} in {trend.direction} is {trend.position}.")
    problems: dict[str, list[str]] = {}
    for trend in worn.trends:
        if trend.problem:
            name = f"{_SHORT[trend.name]} {trend.direction}"
            problems.setdefault(trend.problem, []).append(name)
    sentences += [f"{', '.join(names)}: {problem}." for problem, names in problems.items()]
    lengths = Lengths(outlook.data.state.sieve.nominal_um)
    evidence = [wear_evidence(trend, worn, lengths) for trend in worn.trends]
    sentences += [text.replace("µ", "u").replace("−", "-") for text in evidence if text]
    sentences += wear_remarks(worn)
    for methods in outlook.methods:
        sentences += _method_words(methods)
    return [*sentences, outlook.advice.reason]


def _method_words(methods: MethodComparison) -> list[str]:
    if methods.problem:
        return [f"Wear by sieving method, {methods.direction}: {methods.problem}."]
    sentences = [
        f"{wear.method}, {methods.direction}: {wear.slope:+.2f} um per 1000 uses "
        f"(95 %: {wear.low:+.2f} to {wear.high:+.2f}; {wear.uses} uses)."
        for wear in methods.wear
    ]
    for pair in methods.differences:
        apart = "differ" if pair.significant else "do not differ significantly"
        sentences.append(
            f"{pair.method} and {pair.other}, {methods.direction}: {apart} "
            f"({pair.difference:+.2f} um per 1000 uses, {pair.low:+.2f} to {pair.high:+.2f})."
        )
    return sentences
