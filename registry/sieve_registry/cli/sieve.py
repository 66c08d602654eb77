"""`sieveward sieve add|edit|list|show`: the sieves kept."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, print_table
from sieve_registry.cli.options import AsOfOption, ByOption, DateOption, opened, read_day
from sieve_registry.records import (
    DEFAULT_INTERVAL_MONTHS,
    DEFAULT_STANDARD,
    NewSieve,
    SieveHistory,
    SieveState,
)

__all__ = ["sieve_app"]

sieve_app = typer.Typer(no_args_is_help=True, help="The sieves kept: add, edit, list, show.")

IdArgument = Annotated[str, typer.Argument(metavar="ID", help="The name written on the sieve.")]
LocationOption = Annotated[str | None, typer.Option("--location", help="Where it is kept.")]


@sieve_app.command()
def add(
    context: typer.Context,
    sieve_id: IdArgument,
    *,
    nominal: Annotated[
        str, typer.Option("--nominal", metavar="L", help="75um, 0.075mm, or 'No. 200'.")
    ],
    standard: Annotated[
        str, typer.Option("--standard", help="Edition judged by, or a table's path.")
    ] = DEFAULT_STANDARD,
    grade: Annotated[
        str, typer.Option("--grade", help="compliance, inspection or calibration.")
    ] = "compliance",
    serial: Annotated[str, typer.Option("--serial", help="Serial number.")] = "",
    frame: Annotated[
        str | None, typer.Option("--frame", metavar="L", help="Frame diameter: 200mm or 8in.")
    ] = None,
    in_service: Annotated[
        str | None, typer.Option("--in-service", metavar="YYYY-MM-DD", help="First day of use.")
    ] = None,
    interval_months: Annotated[
        int, typer.Option("--interval-months", help="Months between checks.")
    ] = DEFAULT_INTERVAL_MONTHS,
    interval_uses: Annotated[
        int | None, typer.Option("--interval-uses", help="Also due after so many uses.")
    ] = None,
    location: LocationOption = None,
    maker: Annotated[str, typer.Option("--maker", help="Who made it.")] = "",
    by: ByOption = None,
    json_path: JsonOption = None,
) -> None:
    """Add a sieve; the first one begins the registry."""
    from sieve_inspect.standard import resolve_nominal
    from sieve_inspect.units import parse_length_um
    from sieve_registry import service
    from sieve_registry.cli.views import state_dict

    new = NewSieve(
        id=sieve_id,
        nominal_um=resolve_nominal(nominal),
        standard=standard,
        grade=grade,
        serial=serial,
        frame_um=None if frame is None else parse_length_um(frame),
        in_service=read_day(in_service),
        interval_months=interval_months,
        interval_uses=interval_uses,
        location=location or "",
        maker=maker,
    )
    with opened(context, create=True) as registry:
        state = service.add_sieve(registry, new, by=by)
        history = service.get_history(registry, state.sieve.id)
        where = registry.path
    if emit_json(json_path, state_dict(state, history)):
        return
    print_line(f"Added sieve {_headline(state)} to {where}.")
    print_line(f"A first check is due on {state.due}: sieveward check {_quoted(state)} SCAN…")


@sieve_app.command()
def edit(
    context: typer.Context,
    sieve_id: IdArgument,
    *,
    interval_months: Annotated[
        int | None, typer.Option("--interval-months", help="Months between checks.")
    ] = None,
    interval_uses: Annotated[
        int | None, typer.Option("--interval-uses", help="Also due after so many uses; 0: no more.")
    ] = None,
    location: LocationOption = None,
    date: DateOption = None,
    by: ByOption = None,
    json_path: JsonOption = None,
) -> None:
    """Change a sieve's intervals or place from a day on; earlier days keep their answer."""
    from sieve_registry import service
    from sieve_registry.cli.views import due_words, state_dict

    with opened(context) as registry:
        state = service.edit_sieve(
            registry,
            sieve_id,
            interval_months=interval_months,
            interval_uses=interval_uses,
            location=location,
            on_date=read_day(date),
            by=by,
        )
        history = service.get_history(registry, sieve_id)
    if not emit_json(json_path, state_dict(state, history)):
        print_line(f"Changed sieve {_headline(state)}; its next check is due: {due_words(state)}.")


@sieve_app.command("list")
def list_sieves(
    context: typer.Context, as_of: AsOfOption = None, json_path: JsonOption = None
) -> None:
    """List the sieves kept, retired ones included."""
    from sieve_registry import service
    from sieve_registry.cli.views import due_dict, due_words, length_text, sieve_dict

    with opened(context) as registry:
        day = read_day(as_of) or registry.today()
        states = service.states(registry, day)
    payload = {
        "as_of": day.isoformat(),
        "sieves": [{**due_dict(state), **sieve_dict(state.sieve)} for state in states],
    }
    if emit_json(json_path, payload):
        return
    rows = [
        [
            state.sieve.id,
            length_text(state.sieve.nominal_nm),
            state.status,
            state.last_check.outcome if state.last_check else "never checked",
            due_words(state),
            state.location,
        ]
        for state in states
    ]
    columns = ("sieve", "nominal", "status", "last outcome", "check due", "location")
    print_table(f"Sieves on {day}", columns, rows, numeric=("nominal",))


@sieve_app.command()
def show(
    context: typer.Context,
    sieve_id: IdArgument,
    as_of: AsOfOption = None,
    json_path: JsonOption = None,
) -> None:
    """Show what is known of one sieve: its state, its checks, its uses."""
    from sieve_registry import service
    from sieve_registry.cli.views import state_dict

    with opened(context) as registry:
        state = service.get_state(registry, sieve_id, read_day(as_of))
        history = service.get_history(registry, sieve_id)
    if not emit_json(json_path, state_dict(state, history)):
        _print_sieve(state, history)


def _print_sieve(state: SieveState, history: SieveHistory) -> None:
    from sieve_registry.cli.views import due_words, length_text, number

    sieve, end = state.sieve, history.retirement
    uses = f", or after {state.interval_uses} uses" if state.interval_uses else ""
    facts = [
        ("status", state.status),
        ("retired", f"{end.on_date} by {end.person}: {end.reason}" if end else ""),
        ("judged by", f"{sieve.standard}, {sieve.grade}"),
        ("maker", sieve.maker),
        ("serial", sieve.serial),
        ("frame", length_text(sieve.frame_nm)),
        ("location", state.location),
        ("in service", str(sieve.in_service or "")),
        ("checked every", f"{state.interval_months} months{uses}"),
        ("check due", f"{due_words(state)} ({state.due_because})" if state.due else ""),
        ("uses", f"{state.uses_total}, {state.uses_since_check} since the last check"),
        ("to note", "; ".join(remark.message for remark in state.remarks)),
    ]
    if state.status != "retired":
        facts = [fact for fact in facts if fact[0] != "retired"]
    print_line(f"Sieve {_headline(state)}, on {state.as_of}")
    for name, value in facts:
        if value:
            print_line(f"  {name:<14}{value}")
    rows = [
        [c.id, str(c.on_date), c.outcome, number(c.x.mean_um), number(c.y.mean_um), c.person]
        for c in history.checks
        if c.on_date <= state.as_of
    ]
    if rows:
        print_line()
        columns = ("check", "date", "outcome", "mean x, um", "mean y, um", "by")
        print_table("", columns, rows, numeric=columns[3:5])


def _headline(state: SieveState) -> str:
    from sieve_registry.cli.views import length_text

    return f"{state.sieve.id}, {length_text(state.sieve.nominal_nm)}"


def _quoted(state: SieveState) -> str:
    import shlex

    return shlex.quote(state.sieve.id)
