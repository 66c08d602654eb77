"""`sieveward demo`: an invented laboratory's three years, built from the drawn scans."""

from __future__ import annotations

import sys
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support.output import JsonOption, emit_json, print_line

if TYPE_CHECKING:
    from sieve_registry.demo.narrative import Told
    from sieve_registry.demo.run import DemoResult

__all__ = ["demo"]

_WIDTH = 79
_INTRODUCTION = (
    "An invented laboratory: seven sieves, three years, scans drawn with a known truth. Every "
    "scan is really measured and judged. The clock is set back for each step, so that the "
    "records carry the days of the story; your own registry always records the true time."
)


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="New or empty folder to build it in.")
    ] = Path("sieveward-demo"),
    json_path: JsonOption = None,
) -> None:
    """Build a small laboratory from drawn scans and show what it comes to."""
    from sieve_registry.demo.narrative import tell_all
    from sieve_registry.demo.run import run_demo

    _progress(fill(_INTRODUCTION, _WIDTH) + "\n")
    result = run_demo(out, tell=_progress)
    told = tell_all(result)
    if not emit_json(json_path, _payload(result, told)):
        _print_all(result, told)


def _progress(line: str) -> None:
    sys.stderr.write(line + "\n")
    sys.stderr.flush()


def _payload(result: DemoResult, told: list[Told]) -> dict[str, Any]:
    from sieve_registry.cli.support.records import due_dict

    return {
        "folder": str(result.folder),
        "registry": str(result.registry),
        "today": result.today.isoformat(),
        "sieves": [
            {
                "id": one.sieve_id,
                "nominal": one.nominal,
                "drawn": one.drawn,
                "status": state.status,
                "outcome": result.details[one.sieve_id].check.outcome,
                "action": result.details[one.sieve_id].check.action,
                "found": one.found,
                "next": one.next_step,
                "report": str(one.report),
            }
            for one in told
            for state in result.states
            if state.sieve.id == one.sieve_id
        ],
        "due": [due_dict(state) for state in result.due],
        "audit": result.audit.to_dict(),
        "audit_page": str(result.audit_page),
        "answers": [{"command": one.command, "told": one.told} for one in result.answers],
    }


def _print_all(result: DemoResult, told: list[Told]) -> None:
    from sieve_registry.cli.commands.audit import print_audit_table
    from sieve_registry.cli.commands.due import print_due

    print_line()
    print_line("The sieves today: how they were drawn, what was found, what comes next")
    for one in told:
        print_line()
        _print_sieve(one)
    print_line()
    print_due(result.due, result.today)
    print_line()
    audit = result.audit
    print_line(
        fill(
            f"An auditor asks about {audit.as_of}. Only what concerns that day or an earlier one "
            "counts: what came later changes no answer.",
            _WIDTH,
        )
    )
    print_line()
    print_audit_table(audit, audit.tables[0])
    print_line()
    _print_answers(result)
    print_line()
    _print_places(result, told)


def _print_sieve(one: Told) -> None:
    print_line(f"{one.sieve_id}, {one.nominal}, drawn as: {one.drawn}")
    for word, text in (("found", one.found), ("next", one.next_step)):
        print_line(fill(text, _WIDTH, initial_indent=f"  {word:<7}", subsequent_indent=" " * 9))
    if one.command:
        print_line(f"         {one.command}")


def _print_answers(result: DemoResult) -> None:
    import shlex

    print_line("What else the records answer; the commands say more:")
    print_line(f"  export SIEVEWARD_REGISTRY={shlex.quote(str(result.registry))}")
    for one in result.answers:
        print_line(f"  sieveward {one.command}")
        print_line(fill(one.told, _WIDTH, initial_indent="      ", subsequent_indent="      "))


def _print_places(result: DemoResult, told: list[Told]) -> None:
    print_line("Open in a browser:")
    for one in told:
        print_line(f"  {one.report}  {one.sieve_id}, {one.drawn}")
    print_line(f"  {result.audit_page}  the audit of {result.audit.as_of}")
