"""`sieveward interval`: the time between checks, and the proposals from the sieve's history."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
from sieve_registry.cli.support.records import fact_dict

if TYPE_CHECKING:
    from sieve_registry.outlook.queries import IntervalView


class Method(StrEnum):
    """The proposal that `--accept` takes."""

    STAIRCASE = "staircase"
    WEAR = "wear"


def interval(
    context: typer.Context,
    sieve_id: options.Sieve,
    *,
    accept: Annotated[Method | None, option("Accept this proposal from today on.")] = None,
    reason: Annotated[str, option("Why you accept it.", "T")] = "",
    as_of: options.AsOf = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show the interval of a sieve by months and uses, with proposals from its checks."""
    from sieve_registry.outlook import commands, queries

    with options.opened(context) as registry:
        view = queries.interval_view(registry, sieve_id, options.read_day(as_of))
        if accept is not None:
            terms = options.terms(None, by, why_late)
            commands.accept_interval(registry, view, accept.value, reason, terms)
    if not output.emit(json_path, _dict(view, accept)):
        _print(view, accept)


def _dict(view: IntervalView, accepted: Method | None) -> dict[str, Any]:
    return {
        **output.fields(view.state, "id=sieve.id as_of interval_months interval_uses"),
        **output.fields(view, "due due_because uses_since_check=state.uses_since_check"),
        "uses_per_year": view.rate_per_year,
        "proposals": [
            output.fields(p, "method months uses enough reasons") for p in view.proposals
        ],
        "accepted": None if accepted is None else accepted.value,
        "decided": [fact_dict(decision) for decision in view.decided],
    }


def _print(view: IntervalView, accepted: Method | None) -> None:
    state = view.state
    output.line(f"Interval of sieve {state.sieve.id} on {state.as_of}: {_words(state)}")
    due = f"{view.due} ({view.due_because})" if view.due else "-"
    output.line(f"Next check: {due}")
    output.line(f"Uses since the last check: {state.uses_since_check}")
    output.line()
    rows = [(proposal.method, proposal.months, proposal.uses) for proposal in view.proposals]
    output.table("", {"proposed by": "", "months": ">", "uses": ">"}, rows)
    output.line()
    for proposal in view.proposals:
        for why in proposal.reasons:
            output.text(f"{proposal.method}: {why}.", "  ")
    if accepted is not None:
        output.line(f"Accepted: {accepted.value}, from today on.")
    else:
        ways = " or ".join(
            f"--accept {proposal.method}" for proposal in view.proposals if proposal.enough
        )
        output.line(
            f"You decide: accept a proposal with {ways}." if ways else "Check the sieve first."
        )


def _words(state: Any) -> str:
    uses = f" or {state.interval_uses} uses, whichever first" if state.interval_uses else ""
    return f"{state.interval_months} months{uses}"
