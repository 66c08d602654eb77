"""`sieveward rule` and `sieveward decide`: how checks are judged, and decisions of a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import fact_dict

if TYPE_CHECKING:
    from sieve_registry.quality.decisions import RuleView

_RISK = "name direction value_um p_conform risk_with_history prior_um prior_u_um"


def rule(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    set_to: Annotated[
        str | None,
        option(
            "guard-band, guard-band:R (band R times U), simple or probability:P.",
            "RULE",
            name="--set",
        ),
    ] = None,
    coarser: Annotated[
        list[str] | None,
        option(
            "Limits it may be used under when it fails its own; repeatable.", "STANDARD[,GRADE]"
        ),
    ] = None,
    study: Annotated[
        str, option("A study whose s_R is included in U.", "NAME", name="--repeatability")
    ] = "",
    as_of: options.AsOf = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show or set the decision rule of a sieve, with the risks of its last verdict."""
    from sieve_registry.quality import decisions

    with options.opened(context) as registry:
        if set_to is not None or coarser or study:
            pairs = [_pair(text) for text in coarser or []]
            terms = options.terms(date, by, why_late)
            decisions.name_rule(registry, sieve_id, set_to, pairs, study, terms)
        view = decisions.rule_view(registry, sieve_id, options.read_day(as_of))
    if not output.emit(json_path, _dict(view)):
        _print(view)


def decide(
    context: typer.Context,
    check_id: Annotated[str, argument("The check, like C-0007.", "CHECK")],
    *,
    action: Annotated[str, option("keep, retire, clean and recheck, …", "A")],
    reason: Annotated[str, option("Why.", "T")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a person's decision after a check, beside the proposal."""
    from sieve_registry.quality import decisions

    with options.opened(context) as registry:
        kept = decisions.decide(
            registry, check_id, action, reason, options.terms(date, by, why_late)
        )
    if output.emit(json_path, kept):
        return
    output.line(f"Recorded for {kept['check']}: {kept['decided']} (proposed: {kept['proposed']}).")
    if kept["next"]:
        output.line(kept["next"])


def _pair(text: str) -> tuple[str, str]:
    standard, _, grade = text.rpartition(",") if "," in text else (text, "", "compliance")
    return standard.strip(), grade.strip()


def _dict(view: RuleView) -> dict[str, Any]:
    return {
        **output.fields(view, "id=sieve_id as_of rule=rule.rule since=rule.since"),
        "coarser": [list(pair) for pair in view.rule.coarser],
        "repeatability": view.rule.study or None,
        "check": view.check_id,
        "risks": [output.fields(row, _RISK) for row in view.risks],
        "decisions": [fact_dict(decision) for decision in view.decided],
    }


def _print(view: RuleView) -> None:
    since = f"since {view.rule.since}" if view.rule.since else "the default"
    output.line(f"Decision rule of sieve {view.sieve_id}: {view.rule.rule} ({since})")
    for standard, grade in view.rule.coarser:
        output.text(f"Usable under {standard}, grade {grade}, when it fails its own limits.")
    if view.rule.study:
        output.line(f"Its checks include the s_R of the study {view.rule.study!r}")
    if not view.risks:
        output.line("No check yet, so no probabilities.")
        return
    output.line()
    columns = {
        "value": "", "": "", "measured, um": ">.2f", "conforms": ">", "with history": ">",
        "expected, um": ">.2f",
    }  # fmt: skip
    rows = [
        (row.name, row.direction, row.value_um, _percent(row.p_conform),
         None if row.risk_with_history is None else _percent(1 - row.risk_with_history),
         row.prior_um)
        for row in view.risks
    ]  # fmt: skip
    output.table(f"Check {view.check_id}", columns, rows)
    output.line()
    output.text(
        "Conforms: probability that the true value is within its limit, from this check alone "
        "(JCGM 106:2012). With history: together with the earlier checks, from which the value "
        "in the last column was expected."
    )
    for fact in view.decided:
        decision = fact.payload
        why = f": {decision.reason}" if decision.reason else ""
        output.text(
            f"Decided on {fact.on_date} by {fact.person} for {decision.check}: "
            f"{decision.decided}{why}"
        )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.9995 else "> 99.9 %"
