"""`sieveward stack add|show|ready|run`: the stacks sieves work in."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.commands.service import (
    AbrasivenessOption,
    MaterialOption,
    Method,
    NoteOption,
)
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.records import (
    due_dict,
    due_words,
    fact_dict,
    finding_dicts,
    length_text,
)

if TYPE_CHECKING:
    from decimal import Decimal

    from sieve_registry.ledger.events import StackRun
    from sieve_registry.ledger.records import Fact, Finding, SieveState
    from sieve_registry.sieves.stacks import Readiness

stack_app = typer.Typer(no_args_is_help=True, help="Stacks of sieves: add, show, ready, run.")
NameArgument = Annotated[str, argument("The stack's name.", "NAME")]


class FailOnReady(StrEnum):
    """When `ready --fail-on` ends with exit code 1."""

    NOT_READY = "not-ready"


class FailOnRun(StrEnum):
    """When `run --fail-on` ends with exit code 1."""

    FINDING = "finding"


@stack_app.command()
def add(
    context: typer.Context,
    name: NameArgument,
    sieves: Annotated[
        list[str] | None, argument("From the top; without: scan their labels.", "SIEVE…")
    ] = None,
    *,
    replace: Annotated[bool, flag("--replace", "Change an existing stack.")] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Keep a stack of sieves under a name; without SIEVE their labels are scanned in."""
    from sieve_registry.sieves import stacks

    ids = sieves or _scanned_ids()
    with options.opened(context) as registry:
        terms = options.terms(None, by, why_late)
        readiness = stacks.add(registry, name, ids, terms, replacing=replace)
    if not output.emit(json_path, _readiness_dict(readiness)):
        _print_stack(readiness)


@stack_app.command()
def show(
    context: typer.Context,
    name: Annotated[str | None, argument("The stack (default: list all).", "[NAME]")] = None,
    json_path: options.Json = None,
) -> None:
    """Show a stack with its sieves and its last runs, or the names of all stacks."""
    from sieve_registry.sieves import stacks

    with options.opened(context) as registry:
        if name is None:
            names = stacks.names(registry)
            if not output.emit(json_path, {"stacks": names}):
                output.line("\n".join(names) or "No stacks yet: sieveward stack add NAME …")
            return
        readiness, runs = stacks.show(registry, name)
    run_dicts = [{"event": run.seq, **fact_dict(run)} for run in runs]
    if not output.emit(json_path, {**_readiness_dict(readiness), "runs": run_dicts}):
        _print_stack(readiness)
        _print_runs(runs)


@stack_app.command()
def ready(
    context: typer.Context,
    name: NameArgument,
    as_of: options.AsOf = None,
    fail_on: Annotated[FailOnReady | None, option("Exit 1 when it is not ready.")] = None,
    json_path: options.Json = None,
) -> None:
    """Before a run: are all sieves in service, in date, signed, matching and in order?"""
    from sieve_registry.sieves import stacks

    with options.opened(context) as registry:
        readiness = stacks.ready(registry, name, options.read_day(as_of))
    if not output.emit(json_path, _readiness_dict(readiness)):
        _print_stack(readiness)
    if fail_on is not None and not readiness.is_ready:
        raise typer.Exit(1)


@stack_app.command()
def run(
    context: typer.Context,
    name: NameArgument,
    *,
    method: Annotated[Method, option("Sieving method.")],
    material: MaterialOption = "",
    abrasiveness: AbrasivenessOption = None,
    mass: Annotated[str | None, option("Mass of the sample in grams.", "G")] = None,
    minutes: Annotated[str | None, option("Sieving time.", "N")] = None,
    cleaning: Annotated[str, option("How the sieves were cleaned.", "T")] = "",
    retained: Annotated[list[str] | None, option("Grams retained; also pan=G.", "SIEVE=G")] = None,
    count: Annotated[int, option("Number of runs.", "N")] = 1,
    note: NoteOption = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    fail_on: Annotated[FailOnRun | None, option("Exit 1 when a sieve was overloaded.")] = None,
    json_path: options.Json = None,
) -> None:
    """Log a run: one use of every sieve of the stack, with the conditions of the run."""
    from sieve_registry.ledger.records import UseDetails
    from sieve_registry.sieves import stacks

    details = UseDetails(
        stack=name,
        method=str(method),
        material=material,
        abrasiveness=str(abrasiveness or ""),
        cleaning=cleaning,
        mass_g=options.read_figure("mass", mass),
        minutes=options.read_figure("time", minutes),
    )
    masses = _masses(retained or [])
    with options.opened(context) as registry:
        terms = options.terms(date, by, why_late)
        unready = stacks.ready(registry, name, options.read_day(date)).findings
        logged = stacks.run(
            registry, name, details, terms, count=count, note=note, retained_g=masses
        )
    payload = {
        "stack": logged.name,
        "event": logged.event,
        "sieves": [_use_dict(state) for state in logged.sieves],
        "findings": finding_dicts(logged.findings),
        "not_ready": finding_dicts(unready),
    }
    if not output.emit(json_path, payload):
        ids = ", ".join(state.sieve.id for state in logged.sieves)
        output.text(f"Logged {count} for each sieve of {logged.name}: {ids}.")
        _print_findings(logged.findings)
        if unready:
            output.line("The stack was not ready:")
            _print_findings(unready)
    if fail_on is not None and logged.findings:
        raise typer.Exit(1)


def _scanned_ids() -> list[str]:
    """Ids from a hand scanner, one a line, until an empty line or the end."""
    if sys.stdin.isatty():
        output.line("Scan the sieves from the top; finish with an empty line.")
    ids: list[str] = []
    for line in sys.stdin:
        if not line.strip():
            break
        ids.append(line.strip())
    return ids


def _masses(retained: list[str]) -> dict[str, Decimal]:
    """Grams by sieve from texts like S-0250=12.5. Raises `UsageError`."""
    masses = {}
    for text in retained:
        sieve, equals, grams = text.rpartition("=")
        mass = options.read_figure("mass", grams)
        if not equals or mass is None:
            raise UsageError(message=f"Write a retained mass as SIEVE=GRAMS, not {text!r}.")
        masses[sieve.strip()] = mass
    return masses


def _use_dict(state: SieveState) -> dict[str, Any]:
    return output.fields(state, "id=sieve.id uses_total uses_since_check due overdue")


def _readiness_dict(readiness: Readiness) -> dict[str, Any]:
    return {
        **output.fields(readiness, "stack=name as_of ready=is_ready"),
        "sieves": [
            {**due_dict(state), "nominal_um": state.sieve.nominal_um} for state in readiness.sieves
        ],
        "findings": finding_dicts(readiness.findings),
        "notes": finding_dicts(readiness.notes),
    }


def _print_stack(readiness: Readiness) -> None:
    columns = {"sieve": "", "nominal": ">", "frame": "", "status": "", "check due": ""}
    rows = [
        (s.sieve.id, length_text(s.sieve.nominal_nm), length_text(s.sieve.frame_nm) or None,
         s.status, due_words(s))
        for s in readiness.sieves
    ]  # fmt: skip
    output.table(f"Stack {readiness.name}, from the top, on {readiness.as_of}", columns, rows)
    output.line()
    _print_findings(readiness.findings)
    for note in readiness.notes:
        end = "" if note.message.endswith("?") else "."
        output.text(f"Note: {note.subject}: {note.message}{end}")
    count = len(readiness.findings)
    problems = "1 problem" if count == 1 else f"{count} problems"
    output.line("Ready." if readiness.is_ready else f"Not ready: {problems}.")


def _print_runs(runs: Sequence[Fact[StackRun]]) -> None:
    if runs:
        columns = {"date": "", "runs": ">", "method": "", "material": "", "by": ""}
        rows = [
            (run.on_date, run.payload.count, run.payload.method, run.payload.material, run.person)
            for run in runs[-10:]
        ]
        output.line()
        output.table("Last runs", columns, rows)


def _print_findings(findings: Sequence[Finding]) -> None:
    for finding in findings:
        output.text(f"{finding.subject}: {finding.message}.", "  ")
