"""`sieveward rule` and `sieveward decide`: how checks are judged, and decisions of a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.json_fields import fields
from sieve_registry.cli.support.options import (
    AsOfOption,
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    read_day,
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
    from sieve_registry.quality.decisions import RuleView

_RISK = (
    "name", "direction", "value_um", "p_conform", "risk_with_history", "prior_um", "prior_u_um",
)  # fmt: skip


def rule(
    context: typer.Context,
    sieve_id: Annotated[str, typer.Argument(metavar="ID", help="The sieve.")],
    *,
    set_to: Annotated[
        str | None,
        typer.Option(
            "--set",
            metavar="RULE",
            help="guard-band, guard-band:R (band R times U), simple or probability:P.",
        ),
    ] = None,
    coarser: Annotated[
        list[str] | None,
        typer.Option(
            "--coarser",
            metavar="STANDARD[,GRADE]",
            help="Limits it may be used under when it fails its own; repeatable.",
        ),
    ] = None,
    study: Annotated[
        str,
        typer.Option("--repeatability", metavar="NAME", help="A study whose s_R is included in U."),
    ] = "",
    as_of: AsOfOption = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Show or set the decision rule of a sieve, with the risks of its last verdict."""
    from sieve_registry.quality import decisions

    with opened(context) as registry:
        if set_to is not None or coarser or study:
            pairs = [_pair(text) for text in coarser or []]
            terms = record_terms(date, by, why_late)
            decisions.name_rule(registry, sieve_id, set_to, pairs, study, terms)
        view = decisions.rule_view(registry, sieve_id, read_day(as_of))
    if not emit_json(json_path, _dict(view)):
        _print(view)


def decide(
    context: typer.Context,
    check_id: Annotated[str, typer.Argument(metavar="CHECK", help="The check, like C-0007.")],
    *,
    action: Annotated[
        str, typer.Option("--action", metavar="A", help="keep, retire, clean and recheck, …")
    ],
    reason: Annotated[str, typer.Option("--reason", metavar="T", help="Why.")] = "",
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Record a person's decision after a check, beside the proposal."""
    from sieve_registry.quality import decisions

    with opened(context) as registry:
        kept = decisions.decide(
            registry, check_id, action, reason, record_terms(date, by, why_late)
        )
    if emit_json(json_path, kept):
        return
    print_line(f"Recorded for {kept['check']}: {kept['decided']} (proposed: {kept['proposed']}).")
    if kept["next"]:
        print_line(kept["next"])


def _pair(text: str) -> tuple[str, str]:
    standard, _, grade = text.rpartition(",") if "," in text else (text, "", "compliance")
    return standard.strip(), grade.strip()


def _dict(view: RuleView) -> dict[str, Any]:
    from sieve_registry.cli.support.records import fact_dict

    return {
        "id": view.sieve_id,
        "as_of": view.as_of.isoformat(),
        "rule": view.rule.rule,
        "since": None if view.rule.since is None else view.rule.since.isoformat(),
        "coarser": [list(pair) for pair in view.rule.coarser],
        "repeatability": view.rule.study or None,
        "check": view.check_id,
        "risks": [fields(row, *_RISK) for row in view.risks],
        "decisions": [fact_dict(decision) for decision in view.decided],
    }


def _print(view: RuleView) -> None:
    since = f"since {view.rule.since}" if view.rule.since else "the default"
    print_line(f"Decision rule of sieve {view.sieve_id}: {view.rule.rule} ({since})")
    for standard, grade in view.rule.coarser:
        print_text(f"Usable under {standard}, grade {grade}, when it fails its own limits.")
    if view.rule.study:
        print_line(f"Its checks include the s_R of the study {view.rule.study!r}")
    if not view.risks:
        print_line("No check yet, so no probabilities.")
        return
    print_line()
    rows = [
        [
            row.name,
            row.direction,
            f"{row.value_um:.2f}",
            _percent(row.p_conform),
            "-" if row.risk_with_history is None else _percent(1 - row.risk_with_history),
            "-" if row.prior_um is None else f"{row.prior_um:.2f}",
        ]
        for row in view.risks
    ]
    columns = ("value", "", "measured, um", "conforms", "with history", "expected, um")
    print_table(f"Check {view.check_id}", columns, rows, numeric=columns[2:])
    print_line()
    print_text(
        "Conforms: probability that the true value is within its limit, from this check alone "
        "(JCGM 106:2012). With history: together with the earlier checks, from which the value "
        "in the last column was expected."
    )
    for fact in view.decided:
        decision = fact.payload
        why = f": {decision.reason}" if decision.reason else ""
        what = f"{decision.check}: {decision.decided}"
        print_text(f"{fact.on_date} {fact.person} decided for {what}{why}")


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.9995 else "> 99.9 %"
