"""`sieveward finding raise|answer|close|list`: findings about the laboratory's own work."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.records import raise_words

if TYPE_CHECKING:
    from sieve_registry.audit.findings import RecordedFinding

finding_app = typer.Typer(no_args_is_help=True, help="Raise, answer and close findings.")

_NumberArgument = Annotated[str, argument("The finding, like F-0001.", "NUMBER")]
_FIELDS = (
    "number state text=raised.payload.text about=raised.payload.about clause=raised.payload.clause "
    "raised=raised.on_date raised_by=raised.person answer_by=raised.payload.answer_by "
    "answered=answered.on_date answered_by=answered.person cause=answered.payload.cause "
    "action=answered.payload.action closed=closed.on_date closed_by=closed.person "
    "reason=closed.payload.reason from_event=raised.payload.cause "
    "by_program=raised.payload.by_program"
)


@finding_app.command("raise")
def raise_(
    context: typer.Context,
    text: Annotated[
        str, argument("What does not conform; an open point has its own text.", "[TEXT]")
    ] = "",
    *,
    from_event: Annotated[
        int | None, option("Raise the open point of this event.", "EVENT", name="--from")
    ] = None,
    about: Annotated[str, option("The record it is about: a check, a sieve, a device.", "ID")] = "",
    clause: Annotated[str, option("Clause of ISO/IEC 17025:2017, like 7.8.2.", "N.N")] = "",
    answer_by: Annotated[str, option("Last day for an answer.", "YYYY-MM-DD")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Raise a finding; it stays on the list of what is due until it is closed.

    An open point, which `due` and `finding list` show, has its text, record and
    clause already: --from EVENT raises it.
    """
    from sieve_registry.audit.open_points import raise_with_cause

    terms = options.terms(date, by, why_late)
    details = {"about": about, "clause": clause, "answer_by": answer_by}
    with options.opened(context) as registry:
        made = raise_with_cause(registry, text, terms, cause=from_event, **details)
    _show(made, json_path)


@finding_app.command()
def answer(
    context: typer.Context,
    number: _NumberArgument,
    *,
    cause: Annotated[str, option("Why it happened.", "T")],
    action: Annotated[str, option("What is done about it.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Answer a finding with its cause and the action taken."""
    from sieve_registry.audit import findings

    terms = options.terms(date, by, why_late)
    with options.opened(context) as registry:
        made = findings.answer_finding(registry, number, cause, action, terms)
    _show(made, json_path)


@finding_app.command()
def close(
    context: typer.Context,
    number: _NumberArgument,
    *,
    reason: Annotated[str, option("How the action was seen to be effective.", "T")],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Close an answered finding."""
    from sieve_registry.audit import findings

    terms = options.terms(date, by, why_late)
    with options.opened(context) as registry:
        made = findings.close_finding(registry, number, reason, terms)
    _show(made, json_path)


@finding_app.command("list")
def list_findings(
    context: typer.Context,
    *,
    all_of_them: Annotated[bool, flag("--all", "Closed findings too.")] = False,
    json_path: options.Json = None,
) -> None:
    """List the findings that are not closed, and open points that nobody raised yet."""
    from sieve_registry.audit import findings
    from sieve_registry.audit.open_points import open_points

    with options.opened(context) as registry:
        known, points = findings.findings(registry), open_points(registry)
    listed = [f for f in known if all_of_them or f.state != findings.FindingState.CLOSED]
    answer = {
        "findings": [_dict(finding) for finding in listed],
        "open_points": [output.fields(point, "event text about clause") for point in points],
    }
    if output.emit(json_path, answer):
        return
    if not listed:
        output.line("No finding is open.")
    for finding in listed:
        _print(finding)
    for point in points:
        output.text(f"Open point: {point.text}. {raise_words(point.event)}", "    ")


def _dict(finding: RecordedFinding) -> dict[str, Any]:
    return output.fields(finding, _FIELDS)


def _show(finding: RecordedFinding, json_path: str | None) -> None:
    if not output.emit(json_path, _dict(finding)):
        _print(finding)


def _print(finding: RecordedFinding) -> None:
    raised = finding.raised
    about = f", about {raised.payload.about}" if raised.payload.about else ""
    clause = f", clause {raised.payload.clause}" if raised.payload.clause else ""
    output.text(f"{finding.number} {finding.state}{about}{clause}: {raised.payload.text}", "    ")
    due = f", answer by {raised.payload.answer_by}" if raised.payload.answer_by else ""
    output.text(f"raised on {raised.on_date} by {finding.origin}{due}", "    ", first="    ")
    answered, closed = finding.answered, finding.closed
    if answered is not None:
        words = f"cause: {answered.payload.cause}; action: {answered.payload.action}"
        output.text(f"answered on {answered.on_date} by {answered.person}: {words}", "    ",
                    first="    ")  # fmt: skip
    if closed is not None:
        words = f"closed on {closed.on_date} by {closed.person}: {closed.payload.reason}"
        output.text(words, "    ", first="    ")
