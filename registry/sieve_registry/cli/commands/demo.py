"""`sieveward demo`: an invented laboratory's three years, built from the drawn scans."""

from __future__ import annotations

import sys
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
from sieve_registry.cli.support.records import due_dict
from sieve_registry.values import set_variable

if TYPE_CHECKING:
    from sieve_registry.demo.narrative import SieveSummary
    from sieve_registry.demo.run import DemoResult

_INTRODUCTION = (
    "An invented laboratory: seven sieves, three years, scans drawn with known apertures. Every "
    "scan is measured and judged. The clock is set back for each step, so that the records carry "
    "the days of the story; your own registry always records the true time."
)
_SIEVE = (
    "id=sieve_id nominal drawn status=state.status outcome=check.outcome action=check.action "
    "found=result next=next_step"
)


def demo(
    out: Annotated[Path, option("New or empty folder to build it in.", "DIR")] = Path(
        "sieveward-demo"
    ),
    json_path: options.Json = None,
) -> None:
    """Build a small registry from drawn scans and show its results."""
    from sieve_registry.demo.narrative import summaries
    from sieve_registry.demo.run import run_demo

    _progress(fill(_INTRODUCTION, 78) + "\n")
    result = run_demo(out, progress=_progress)
    sieves = summaries(result)
    if not output.emit(json_path, _answer(result, sieves)):
        _print_all(result, sieves)


def _progress(line: str) -> None:
    sys.stderr.write(line + "\n")
    sys.stderr.flush()


def _answer(result: DemoResult, sieves: list[SieveSummary]) -> dict[str, Any]:
    return {
        "folder": str(result.folder),
        "registry": str(result.registry),
        "today": result.today.isoformat(),
        "sieves": [output.fields(s, _SIEVE) | {"report": str(s.report)} for s in sieves],
        "due": [due_dict(state) for state in result.due],
        "audit": result.audit.to_dict(),
        "audit_page": str(result.audit_page),
        "answers": [{"command": a.command, "told": a.text} for a in result.answers],
    }


def _print_all(result: DemoResult, sieves: list[SieveSummary]) -> None:
    from sieve_registry.cli.commands.audit import print_audit_table
    from sieve_registry.cli.commands.due import print_due

    output.line()
    output.line("The sieves today: how they were drawn, the result, and the next step")
    for sieve in sieves:
        output.line()
        _print_sieve(sieve)
    output.line()
    print_due(result.due, result.today)
    output.line()
    audit = result.audit
    output.text(
        f"An auditor asks about {audit.as_of}. The answer counts only events of that day and "
        "earlier days; later events do not change it."
    )
    output.line()
    print_audit_table(audit, audit.tables[0])
    output.line()
    _print_answers(result)
    output.line()
    _print_places(result, sieves)


def _print_sieve(sieve: SieveSummary) -> None:
    output.line(f"{sieve.sieve_id}, {sieve.nominal}, drawn as: {sieve.drawn}")
    for word, text in (("result", sieve.result), ("next", sieve.next_step)):
        output.text(text, " " * 9, first=f"  {word:<7}")
    if sieve.command:
        output.line(f"         {sieve.command}")


def _print_answers(result: DemoResult) -> None:
    output.line("More answers of the registry in short; the commands print them in full:")
    for command in set_variable("SIEVEWARD_REGISTRY", str(result.registry)):
        output.line(f"  {command}")
    for answer in result.answers:
        output.line(f"  sieveward {answer.command}")
        output.text(answer.text, "      ", first="      ")


def _print_places(result: DemoResult, sieves: list[SieveSummary]) -> None:
    output.line("Open in a browser:")
    for sieve in sieves:
        output.line(f"  {sieve.report}  {sieve.sieve_id}, {sieve.drawn}")
    output.line(f"  {result.audit_page}  the audit of {result.audit.as_of}")
