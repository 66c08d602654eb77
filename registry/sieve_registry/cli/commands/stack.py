"""`sieveward stack add|show|ready|run`: the stacks sieves work in."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.json_fields import fields
from sieve_registry.cli.support.options import (
    AsOfOption,
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    read_day,
    read_figure,
    record_terms,
)
from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
)
from sieve_registry.cli.support.records import (
    due_dict,
    due_words,
    fact_dict,
    finding_dicts,
    length_text,
)
from sieve_registry.cli.support.use_options import (
    AbrasivenessOption,
    MaterialOption,
    Method,
    NoteOption,
)

if TYPE_CHECKING:
    from decimal import Decimal

    from sieve_registry.events import StackRun
    from sieve_registry.records import Fact, Finding, SieveState
    from sieve_registry.sieves.stacks import Readiness

stack_app = typer.Typer(no_args_is_help=True, help="Stacks of sieves: add, show, ready, run.")
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The stack's name.")]


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
        list[str] | None,
        typer.Argument(metavar="SIEVE…", help="From the top; without: scan their labels."),
    ] = None,
    *,
    replace: Annotated[bool, typer.Option("--replace", help="Change an existing stack.")] = False,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Keep a stack of sieves under a name; without SIEVE their labels are scanned in."""
    from sieve_registry.sieves import stacks

    ids = sieves or _scanned_ids()
    with opened(context) as registry:
        terms = record_terms(None, by, why_late)
        readiness = stacks.add(registry, name, ids, terms, replacing=replace)
    if not emit_json(json_path, _readiness_dict(readiness)):
        _print_stack(readiness)


@stack_app.command()
def show(
    context: typer.Context,
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="The stack (default: list all).")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Show a stack with its sieves and its last runs, or the names of all stacks."""
    from sieve_registry.sieves import stacks

    with opened(context) as registry:
        if name is None:
            names = stacks.names(registry)
            if not emit_json(json_path, {"stacks": names}):
                print_line("\n".join(names) or "No stacks yet: sieveward stack add NAME …")
            return
        readiness, runs = stacks.show(registry, name)
    run_dicts = [{"event": run.seq, **fact_dict(run)} for run in runs]
    if not emit_json(json_path, {**_readiness_dict(readiness), "runs": run_dicts}):
        _print_stack(readiness)
        _print_runs(runs)


@stack_app.command()
def ready(
    context: typer.Context,
    name: NameArgument,
    as_of: AsOfOption = None,
    fail_on: Annotated[
        FailOnReady | None, typer.Option("--fail-on", help="Exit 1 when it is not ready.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Before a run: are all sieves in service, in date, signed, matching and in order?"""
    from sieve_registry.sieves import stacks

    with opened(context) as registry:
        readiness = stacks.ready(registry, name, read_day(as_of))
    if not emit_json(json_path, _readiness_dict(readiness)):
        _print_stack(readiness)
    if fail_on is not None and not readiness.is_ready:
        raise typer.Exit(1)


@stack_app.command()
def run(
    context: typer.Context,
    name: NameArgument,
    *,
    method: Annotated[Method, typer.Option("--method", help="Sieving method.")],
    material: MaterialOption = "",
    abrasiveness: AbrasivenessOption = None,
    mass: Annotated[
        str | None, typer.Option("--mass", metavar="G", help="Mass of the sample in grams.")
    ] = None,
    minutes: Annotated[
        str | None, typer.Option("--minutes", metavar="N", help="Sieving time.")
    ] = None,
    cleaning: Annotated[
        str, typer.Option("--cleaning", metavar="T", help="How the sieves were cleaned.")
    ] = "",
    retained: Annotated[
        list[str] | None,
        typer.Option("--retained", metavar="SIEVE=G", help="Grams retained; also pan=G."),
    ] = None,
    count: Annotated[int, typer.Option("--count", metavar="N", help="Number of runs.")] = 1,
    note: NoteOption = "",
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    fail_on: Annotated[
        FailOnRun | None, typer.Option("--fail-on", help="Exit 1 when a sieve was overloaded.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Log a run: one use of every sieve of the stack, with the conditions of the run."""
    from sieve_registry.records import UseDetails
    from sieve_registry.sieves import stacks

    details = UseDetails(
        stack=name,
        method=method.value,
        material=material,
        abrasiveness="" if abrasiveness is None else abrasiveness.value,
        cleaning=cleaning,
        mass_g=read_figure("mass", mass),
        minutes=read_figure("time", minutes),
    )
    masses = _masses(retained or [])
    with opened(context) as registry:
        terms = record_terms(date, by, why_late)
        unready = stacks.ready(registry, name, read_day(date)).findings
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
    if not emit_json(json_path, payload):
        ids = ", ".join(state.sieve.id for state in logged.sieves)
        print_text(f"Logged {count} for each sieve of {logged.name}: {ids}.")
        _print_findings(logged.findings)
        if unready:
            print_line("The stack was not ready:")
            _print_findings(unready)
    if fail_on is not None and logged.findings:
        raise typer.Exit(1)


def _scanned_ids() -> list[str]:
    """Ids from a hand scanner, one a line, until an empty line or the end."""
    if sys.stdin.isatty():
        print_line("Scan the sieves from the top; finish with an empty line.")
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
        mass = read_figure("mass", grams)
        if not equals or mass is None:
            raise UsageError(message=f"Write a retained mass as SIEVE=GRAMS, not {text!r}.")
        masses[sieve.strip()] = mass
    return masses


def _use_dict(state: SieveState) -> dict[str, Any]:
    names = ("uses_total", "uses_since_check", "due", "overdue")
    return {"id": state.sieve.id, **fields(state, *names)}


def _readiness_dict(readiness: Readiness) -> dict[str, Any]:
    return {
        "stack": readiness.name,
        "as_of": readiness.as_of.isoformat(),
        "ready": readiness.is_ready,
        "sieves": [
            {**due_dict(state), "nominal_um": state.sieve.nominal_um} for state in readiness.sieves
        ],
        "findings": finding_dicts(readiness.findings),
        "notes": finding_dicts(readiness.notes),
    }


def _print_stack(readiness: Readiness) -> None:
    rows = [
        [s.sieve.id, length_text(s.sieve.nominal_nm), length_text(s.sieve.frame_nm) or "-",
         s.status, due_words(s)]
        for s in readiness.sieves
    ]  # fmt: skip
    columns = ("sieve", "nominal", "frame", "status", "check due")
    title = f"Stack {readiness.name}, from the top, on {readiness.as_of}"
    print_table(title, columns, rows, ("nominal",))
    print_line()
    _print_findings(readiness.findings)
    for note in readiness.notes:
        end = "" if note.message.endswith("?") else "."
        print_text(f"Note: {note.subject}: {note.message}{end}")
    count = len(readiness.findings)
    problems = "1 problem" if count == 1 else f"{count} problems"
    print_line("Ready." if readiness.is_ready else f"Not ready: {problems}.")


def _print_runs(runs: Sequence[Fact[StackRun]]) -> None:
    if runs:
        rows = [
            [str(run.on_date), str(run.payload.count), run.payload.method,
             run.payload.material, run.person]
            for run in runs[-10:]
        ]  # fmt: skip
        print_line()
        print_table("Last runs", ("date", "runs", "method", "material", "by"), rows, ("runs",))


def _print_findings(findings: Sequence[Finding]) -> None:
    for finding in findings:
        print_text(f"{finding.subject}: {finding.message}.", "  ")
