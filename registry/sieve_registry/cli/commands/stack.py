"""`sieveward stack add|show|ready|run`: the stacks sieves work in."""

from __future__ import annotations

import sys
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
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

if TYPE_CHECKING:
    from decimal import Decimal

    from sieve_registry.records import Finding, SieveState
    from sieve_registry.sieves.stacks import Readiness

__all__ = ["Abrasiveness", "FailOnReady", "FailOnRun", "Method", "stack_app"]

stack_app = typer.Typer(
    no_args_is_help=True, help="The stacks sieves work in: add, show, ready, run."
)
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The stack's name.")]


class Method(StrEnum):
    """How a stack is moved; sieves wear differently."""

    HAMMER = "hammer"
    VIBRATORY = "vibratory"
    SONIC = "sonic"
    AIR_JET = "air-jet"
    WET = "wet"
    HAND = "hand"


class Abrasiveness(StrEnum):
    """How much a material wears the wires."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class FailOnReady(StrEnum):
    """What `ready --fail-on` answers with exit code 1."""

    NOT_READY = "not-ready"


class FailOnRun(StrEnum):
    """What `run --fail-on` answers with exit code 1."""

    FINDING = "finding"


@stack_app.command()
def add(
    context: typer.Context,
    name: NameArgument,
    sieves: Annotated[
        list[str] | None,
        typer.Argument(metavar="SIEVE…", help="Coarse on top; none: read from a hand scanner."),
    ] = None,
    *,
    replace: Annotated[
        bool, typer.Option("--replace", help="Change a stack there is already.")
    ] = False,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Keep a stack of sieves under a name; its labels can be scanned straight in."""
    from sieve_registry.sieves import stacks

    named = sieves or _scanned()
    with opened(context) as registry:
        found = stacks.add(
            registry, name, named, record_terms(None, by, why_late), replacing=replace
        )
    if not emit_json(json_path, _readiness_dict(found)):
        _print_stack(found)


@stack_app.command()
def show(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="None: all names.")] = None,
    json_path: JsonOption = None,
) -> None:
    """Show a stack with its sieves and its last runs, or the names of all."""
    from sieve_registry.sieves import stacks

    with opened(context) as registry:
        if name is None:
            names = stacks.names(registry)
            if not emit_json(json_path, {"stacks": names}):
                print_line("\n".join(names) or "No stack is kept yet: sieveward stack add NAME …")
            return
        found, runs = stacks.show(registry, name)
    told = [
        {"event": r.seq, "date": r.on_date.isoformat(), "by": r.person, **r.payload} for r in runs
    ]
    if emit_json(json_path, {**_readiness_dict(found), "runs": told}):
        return
    _print_stack(found)
    if runs:
        print_line()
        rows = [
            [str(r.on_date), str(r.payload["count"]), r.payload.get("method", ""),
             r.payload.get("material", ""), r.person]
            for r in runs[-10:]
        ]  # fmt: skip
        print_table("Last runs", ("date", "runs", "method", "material", "by"), rows, ("runs",))


@stack_app.command()
def ready(
    context: typer.Context,
    name: NameArgument,
    as_of: AsOfOption = None,
    fail_on: Annotated[
        FailOnReady | None, typer.Option("--fail-on", help="Exit code 1 when it is not ready.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Ask before a run: sieves in service, in date, signed, fitting, and in order."""
    from sieve_registry.sieves import stacks

    with opened(context) as registry:
        found = stacks.ready(registry, name, read_day(as_of))
    if not emit_json(json_path, _readiness_dict(found)):
        _print_stack(found)
    if fail_on is not None and not found.is_ready:
        raise typer.Exit(1)


@stack_app.command()
def run(
    context: typer.Context,
    name: NameArgument,
    *,
    method: Annotated[Method, typer.Option("--method", help="How it was moved.")],
    material: Annotated[str, typer.Option("--material", metavar="T", help="What was sieved.")] = "",
    abrasiveness: Annotated[
        Abrasiveness | None, typer.Option("--abrasiveness", help="How it wears wires.")
    ] = None,
    mass: Annotated[
        str | None, typer.Option("--mass", metavar="G", help="Sample in grams.")
    ] = None,
    minutes: Annotated[str | None, typer.Option("--minutes", metavar="N")] = None,
    cleaning: Annotated[str, typer.Option("--cleaning", metavar="T", help="How cleaned.")] = "",
    retained: Annotated[
        list[str] | None,
        typer.Option("--retained", metavar="SIEVE=G", help="Grams left on it; also pan=G."),
    ] = None,
    count: Annotated[int, typer.Option("--count", metavar="N", help="So many runs.")] = 1,
    note: Annotated[str, typer.Option("--note", metavar="T", help="A remark.")] = "",
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    fail_on: Annotated[
        FailOnRun | None, typer.Option("--fail-on", help="Exit code 1 when one was overloaded.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Log a run: the use of every sieve of the stack at once, and how it was done."""
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
        done = stacks.run(registry, name, details, terms, count=count, note=note, retained_g=masses)
    payload = {
        "stack": done.name,
        "event": done.event,
        "sieves": [_use_dict(state) for state in done.sieves],
        "findings": [dict(finding.__dict__) for finding in done.findings],
        "not_ready": [dict(finding.__dict__) for finding in unready],
    }
    if not emit_json(json_path, payload):
        ids = ", ".join(state.sieve.id for state in done.sieves)
        print_text(f"Logged {count} for each sieve of {done.name}: {ids}.")
        _print_findings(done.findings)
        if unready:
            print_line("It was not ready:")
            _print_findings(unready)
    if fail_on is not None and done.findings:
        raise typer.Exit(1)


def _scanned() -> list[str]:
    """Ids a hand scanner types, one a line, until an empty line or the end."""
    if sys.stdin.isatty():
        print_line("Scan the sieves, coarse on top; an empty line ends it.")
    found: list[str] = []
    for line in sys.stdin:
        if not line.strip():
            break
        found.append(line.strip())
    return found


def _masses(retained: list[str]) -> dict[str, Decimal]:
    found = {}
    for one in retained:
        sieve, equals, grams = one.rpartition("=")
        mass = read_figure("mass", grams)
        if not equals or mass is None:
            raise UsageError(message=f"{one!r} is not of the form SIEVE=GRAMS.")
        found[sieve.strip()] = mass
    return found


def _use_dict(state: SieveState) -> dict[str, Any]:
    return {
        "id": state.sieve.id,
        "uses_total": state.uses_total,
        "uses_since_check": state.uses_since_check,
        "due": None if state.due is None else state.due.isoformat(),
        "overdue": state.overdue,
    }


def _readiness_dict(found: Readiness) -> dict[str, Any]:
    from sieve_registry.cli.support.records import due_dict

    return {
        "stack": found.name,
        "as_of": found.as_of.isoformat(),
        "ready": found.is_ready,
        "sieves": [
            {**due_dict(state), "nominal_um": state.sieve.nominal_um} for state in found.sieves
        ],
        "findings": [dict(finding.__dict__) for finding in found.findings],
        "notes": [dict(finding.__dict__) for finding in found.notes],
    }


def _print_stack(found: Readiness) -> None:
    from sieve_registry.cli.support.records import due_words, length_text

    rows = [
        [s.sieve.id, length_text(s.sieve.nominal_nm), length_text(s.sieve.frame_nm) or "-",
         s.status, due_words(s)]
        for s in found.sieves
    ]  # fmt: skip
    columns = ("sieve", "nominal", "frame", "status", "check due")
    print_table(f"Stack {found.name}, top first, on {found.as_of}", columns, rows, ("nominal",))
    print_line()
    _print_findings(found.findings)
    for note in found.notes:
        end = "" if note.message.endswith("?") else "."
        print_text(f"Note: {note.subject}: {note.message}{end}")
    count = len(found.findings)
    print_line("Ready." if found.is_ready else f"Not ready: {count} to look at.")


def _print_findings(findings: tuple[Finding, ...]) -> None:
    for finding in findings:
        print_text(f"{finding.subject}: {finding.message}.", "  ")
