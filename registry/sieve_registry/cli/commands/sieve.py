"""`sieveward sieve add|edit|list|show`: the sieves kept."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from sieve_registry.cli.support.options import (
    AsOfOption,
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    read_day,
)
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_table
from sieve_registry.records import (
    DEFAULT_INTERVAL_MONTHS,
    DEFAULT_STANDARD,
    NewSieve,
    SieveDetails,
    SieveHistory,
    SieveState,
)


class Warp(StrEnum):
    """The direction of the warp when the label is upright at the bottom."""

    X = "x"
    Y = "y"


sieve_app = typer.Typer(no_args_is_help=True, help="Sieves: add, edit, list, show.")

_LAST_USES = 5
IdArgument = Annotated[str, typer.Argument(metavar="ID", help="The name on the sieve.")]
TypeOption = Annotated[str | None, typer.Option("--type", help="The maker's type or model.")]
HeightOption = Annotated[str | None, typer.Option("--height", help="full, half, or a length.")]
ClothOption = Annotated[str | None, typer.Option("--cloth", help="Its cloth: steel, weave.")]
CertificateOption = Annotated[
    str | None, typer.Option("--certificate", metavar="T", help="The purchase certificate.")
]
WarpOption = Annotated[
    Warp | None,
    typer.Option("--warp", help="Label at the bottom: warp across (x) or up (y)."),
]
LabelOption = Annotated[
    str | None, typer.Option("--label", metavar="T", help="Additional text of its status label.")
]
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
        str, typer.Option("--standard", help="Edition, or the path of a table.")
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
        int | None, typer.Option("--interval-uses", metavar="N", help="Due after N uses as well.")
    ] = None,
    location: LocationOption = None,
    maker: Annotated[str, typer.Option("--maker", help="Who made it.")] = "",
    kind: TypeOption = None,
    height: HeightOption = None,
    cloth: ClothOption = None,
    certificate: CertificateOption = None,
    warp: WarpOption = None,
    label: LabelOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Add a sieve; the first sieve creates the registry."""
    from sieve_inspect.standard import is_listed, limits, resolve_nominal
    from sieve_inspect.units import parse_length_um
    from sieve_registry.cli.support.records import length_text, state_dict
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

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
        details=SieveDetails(**_details(kind, height, cloth, certificate, warp, label)),
    )
    with opened(context, create=True) as registry:
        state = sieve_commands.add_sieve(registry, new, by=by, late_reason=why_late)
        history = sieve_queries.get_history(registry, state.sieve.id)
        where = registry.where
    if emit_json(json_path, state_dict(state, history)):
        return
    print_line(f"Added sieve {_headline(state)} to {where}.")
    if limits(new.nominal_um, standard, grade=grade).computed and not is_listed(new.nominal_um):
        size = length_text(state.sieve.nominal_nm)
        print_line(f"Is the size right? No table lists {size}; its limits come from the formula.")
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
        int | None,
        typer.Option("--interval-uses", metavar="N", help="Due after N uses as well; 0: no."),
    ] = None,
    location: LocationOption = None,
    kind: TypeOption = None,
    height: HeightOption = None,
    cloth: ClothOption = None,
    certificate: CertificateOption = None,
    warp: WarpOption = None,
    label: LabelOption = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Change a sieve's intervals or place from a day on; earlier days are unaffected."""
    from sieve_registry.cli.support.records import due_words
    from sieve_registry.cli.support.sieve_records import print_undo, record_of_sieve
    from sieve_registry.sieves import commands

    day = read_day(date)
    details = _details(kind, height, cloth, certificate, warp, label)
    recorded = record_of_sieve(
        context,
        json_path,
        lambda registry: commands.edit_sieve(
            registry,
            sieve_id,
            interval_months=interval_months,
            interval_uses=interval_uses,
            location=location,
            details=details,
            on_date=day,
            by=by,
            late_reason=why_late,
        ),
    )
    if recorded is not None:
        state, history = recorded
        print_line(f"Changed sieve {_headline(state)}; its next check is due: {due_words(state)}.")
        print_undo(history)


@sieve_app.command("list")
def list_sieves(
    context: typer.Context, as_of: AsOfOption = None, json_path: JsonOption = None
) -> None:
    """List all sieves, retired sieves included."""
    from sieve_registry.cli.support.records import due_dict, due_words, length_text, sieve_dict
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        day = read_day(as_of) or registry.today()
        states = sieve_queries.states(registry, day)
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
    """Show a sieve: its state, its checks, its uses."""
    from sieve_registry.cli.support.records import state_dict
    from sieve_registry.sieves import queries as sieve_queries

    with opened(context) as registry:
        state = sieve_queries.get_state(registry, sieve_id, read_day(as_of))
        history = sieve_queries.get_history(registry, sieve_id)
    if not emit_json(json_path, state_dict(state, history)):
        _print_sieve(state, history)


def _print_sieve(state: SieveState, history: SieveHistory) -> None:
    from sieve_registry.cli.support.records import due_words, length_text, number

    sieve, end = state.sieve, history.retirement
    uses = f", or after {state.interval_uses} uses" if state.interval_uses else ""
    facts = [
        ("status", state.status),
        ("retired", f"{end.on_date} by {end.person}: {end.reason}" if end else ""),
        ("judged by", f"{sieve.standard}, {sieve.grade}"),
        ("maker", " ".join(text for text in (sieve.maker, state.details.type) if text)),
        ("serial", sieve.serial),
        ("frame", ", ".join(t for t in (length_text(sieve.frame_nm), state.details.height) if t)),
        ("cloth", state.details.cloth),
        ("certificate", state.details.certificate),
        ("warp", {"x": "across the label", "y": "up the label"}.get(state.details.warp, "")),
        ("label", state.details.label),
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
    _print_uses(state, history)
    _print_acts(state, history)


def _print_uses(state: SieveState, history: SieveHistory) -> None:
    """The last few uses, with the number to correct each by."""
    uses = sorted((u for u in history.uses if u.on_date <= state.as_of), key=lambda u: u.seq)
    if not uses:
        return
    rows = [
        [
            f"#{use.seq}",
            str(use.on_date),
            str(use.count),
            ", ".join(t for t in (use.details.method, use.details.material, use.note) if t),
            use.person,
        ]
        for use in uses[-_LAST_USES:]
    ]
    print_line()
    more = f", the last {_LAST_USES} of {len(uses)}" if len(uses) > _LAST_USES else ""
    print_table(f"Uses logged{more}", ("record", "date", "uses", "how", "by"), rows, ("uses",))


def _print_acts(state: SieveState, history: SieveHistory) -> None:
    """Other records of the sieve, and corrections with both contents."""
    from sieve_registry.cli.support.records import correction_words

    acts = [act for act in history.acts if act.on_date <= state.as_of]
    if acts:
        print_line()
    for act in acts:
        names = ("check", "method", "reason", "note")
        texts = [str(getattr(act.payload, name, "")) for name in names]
        words = ", ".join(text for text in texts if text)
        print_line(f"  #{act.seq:<5} {act.on_date}  {act.kind} by {act.person}: {words}")
    for made in history.corrections:
        print_line(f"  #{made.seq:<5} {made.on_date}  {correction_words(made)} ({made.person})")


def _details(
    kind: str | None,
    height: str | None,
    cloth: str | None,
    certificate: str | None,
    warp: Warp | None,
    label: str | None,
) -> dict[str, str]:
    """The further details given, by their names."""
    given = {
        "type": kind,
        "height": height,
        "cloth": cloth,
        "certificate": certificate,
        "warp": None if warp is None else warp.value,
        "label": label,
    }
    return {name: text for name, text in given.items() if text is not None}


def _headline(state: SieveState) -> str:
    from sieve_registry.cli.support.records import length_text

    return f"{state.sieve.id}, {length_text(state.sieve.nominal_nm)}"


def _quoted(state: SieveState) -> str:
    import shlex

    return shlex.quote(state.sieve.id)
