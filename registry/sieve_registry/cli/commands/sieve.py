"""`sieveward sieve add|edit|list|show`: the sieves kept."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import (
    correction_dict,
    correction_words,
    due_dict,
    due_words,
    length_text,
    record_of_sieve,
    sieve_dict,
    state_dict,
)
from sieve_registry.values import DEFAULT_INTERVAL_MONTHS, DEFAULT_STANDARD, shell_word

if TYPE_CHECKING:
    from sieve_registry.ledger.records import SieveHistory, SieveState
    from sieve_registry.sieves.recording import RecordTerms


class Warp(StrEnum):
    """The direction of the warp when the label is upright at the bottom."""

    X = "x"
    Y = "y"


sieve_app = typer.Typer(no_args_is_help=True, help="Sieves: add, edit, list, show.")

_LAST_USES = 5
IdArgument = Annotated[str, argument("The name on the sieve.", "ID")]
TypeOption = Annotated[str | None, option("The maker's type or model.", name="--type")]
HeightOption = Annotated[str | None, option("full, half, or a length.", name="--height")]
ClothOption = Annotated[str | None, option("Its cloth: steel, weave.", name="--cloth")]
CertificateOption = Annotated[
    str | None, option("The purchase certificate.", "T", name="--certificate")
]
WarpOption = Annotated[
    Warp | None, option("Label at the bottom: warp across (x) or up (y).", name="--warp")
]
LabelOption = Annotated[
    str | None, option("Additional text of its status label.", "T", name="--label")
]
LocationOption = Annotated[str | None, option("Where it is kept.", name="--location")]


@sieve_app.command()
def add(
    context: typer.Context,
    sieve_id: IdArgument,
    *,
    nominal: Annotated[str, option("75um, 0.075mm, or 'No. 200'.", "L")],
    standard: Annotated[str, option("Edition, or the path of a table.")] = DEFAULT_STANDARD,
    grade: Annotated[str, option("compliance, inspection or calibration.")] = "compliance",
    serial: Annotated[str, option("Serial number.")] = "",
    frame: Annotated[str | None, option("Frame diameter: 200mm or 8in.", "L")] = None,
    in_service: Annotated[str | None, option("First day of use.", "YYYY-MM-DD")] = None,
    interval_months: Annotated[int, option("Months between checks.")] = DEFAULT_INTERVAL_MONTHS,
    interval_uses: Annotated[int | None, option("Due after N uses as well.", "N")] = None,
    location: LocationOption = None,
    maker: Annotated[str, option("Who made it.")] = "",
    kind: TypeOption = None,
    height: HeightOption = None,
    cloth: ClothOption = None,
    certificate: CertificateOption = None,
    warp: WarpOption = None,
    label: LabelOption = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Add a sieve; the first sieve creates the registry."""
    from sieve_inspect.standard import is_listed, limits, resolve_nominal
    from sieve_registry.ledger.records import NewSieve, SieveDetails
    from sieve_registry.sieves import commands as sieve_commands
    from sieve_registry.sieves import queries as sieve_queries

    new = NewSieve(
        id=sieve_id,
        nominal_um=resolve_nominal(nominal),
        standard=standard,
        grade=grade,
        serial=serial,
        frame_um=options.read_length(frame),
        in_service=options.read_day(in_service),
        interval_months=interval_months,
        interval_uses=interval_uses,
        location=location or "",
        maker=maker,
        details=SieveDetails(**_details(kind, height, cloth, certificate, warp, label)),
    )
    with options.opened(context, create=True) as registry:
        state = sieve_commands.add_sieve(registry, new, by=by, late_reason=why_late)
        history = sieve_queries.get_history(registry, state.sieve.id)
        where = registry.where
    if output.emit(json_path, state_dict(state, history)):
        return
    output.line(f"Added sieve {_headline(state)} to {where}.")
    if limits(new.nominal_um, standard, grade=grade).computed and not is_listed(new.nominal_um):
        size = length_text(state.sieve.nominal_nm)
        output.line(f"Is the size right? No table lists {size}; its limits come from the formula.")
    typed = shell_word(state.sieve.id)
    output.line(f"A first check is due on {state.due}: sieveward check {typed} SCAN…")


@sieve_app.command()
def edit(
    context: typer.Context,
    sieve_id: IdArgument,
    *,
    name: Annotated[
        str | None, option("Correct the name, before other records.", "ID", name="--name")
    ] = None,
    nominal: Annotated[
        str | None, option("Correct a wrong nominal, before the first check.", "L")
    ] = None,
    standard: Annotated[str | None, option("Correct the standard, likewise.")] = None,
    grade: Annotated[str | None, option("Correct the grade, likewise.")] = None,
    interval_months: Annotated[int | None, option("Months between checks.")] = None,
    interval_uses: Annotated[int | None, option("Due after N uses as well; 0: no.", "N")] = None,
    location: LocationOption = None,
    kind: TypeOption = None,
    height: HeightOption = None,
    cloth: ClothOption = None,
    certificate: CertificateOption = None,
    warp: WarpOption = None,
    label: LabelOption = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Change a sieve's intervals or place from a day on; earlier days are unaffected.

    --name, --nominal, --standard and --grade put right what was entered wrongly.
    """
    from sieve_registry.sieves import commands

    day = options.read_day(date)
    details = _details(kind, height, cloth, certificate, warp, label)
    named = {"nominal": nominal, "standard": standard, "grade": grade}
    identity = {name: value for name, value in named.items() if value is not None}
    terms = options.terms(date, by, why_late)
    changes_more = (interval_months, interval_uses, location) != (None,) * 3 or bool(details)
    if identity:
        _correct_identity(context, json_path, sieve_id, identity, terms)
    if name is not None:
        sieve_id = _rename(context, json_path, sieve_id, name, terms)
    if (identity or name is not None) and not changes_more:
        return
    record_of_sieve(
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
        lambda state, _: [
            f"Changed sieve {_headline(state)}; its next check is due: {due_words(state)}."
        ],
    )


def _correct_identity(
    context: typer.Context,
    json_path: str | None,
    sieve_id: str,
    changes: dict[str, str],
    terms: RecordTerms,
) -> None:
    """Right nominal, standard or grade, and say what it reads now."""
    from sieve_registry.quality.corrections import correct_identity

    with options.opened(context) as registry:
        made = correct_identity(registry, sieve_id, changes, terms)
    if not output.emit(json_path, correction_dict(made)):
        output.line(f"Event {made.seq}: {correction_words(made)}.")


def _rename(
    context: typer.Context, json_path: str | None, sieve_id: str, name: str, terms: RecordTerms
) -> str:
    """Put a sieve's name right, print it, and return the new name."""
    from sieve_registry.sieves import queries as sieve_queries
    from sieve_registry.sieves.naming import rename_sieve

    with options.opened(context) as registry:
        state = rename_sieve(registry, sieve_id, name, terms)
        history = sieve_queries.get_history(registry, state.sieve.id)
    if not output.emit(json_path, state_dict(state, history)):
        output.line(f"Sieve {sieve_id} is now {_headline(state)} (event {state.sieve.seq}).")
    return state.sieve.id


@sieve_app.command("list")
def list_sieves(
    context: typer.Context, as_of: options.AsOf = None, json_path: options.Json = None
) -> None:
    """List all sieves, retired sieves included."""
    from sieve_registry.sieves import queries as sieve_queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        states = sieve_queries.states(registry, day)
    payload = {
        "as_of": day.isoformat(),
        "sieves": [{**due_dict(state), **sieve_dict(state.sieve)} for state in states],
    }
    if output.emit(json_path, payload):
        return
    columns = {
        "sieve": "", "nominal": ">", "status": "", "last outcome": "", "check due": "",
        "location": "",
    }  # fmt: skip
    rows = [
        (s.sieve.id, length_text(s.sieve.nominal_nm), s.status,
         s.result, due_words(s), s.location)
        for s in states
    ]  # fmt: skip
    output.table(f"Sieves on {day}", columns, rows)


@sieve_app.command()
def show(
    context: typer.Context,
    sieve_id: IdArgument,
    as_of: options.AsOf = None,
    plot: Annotated[Path | None, option("Draw its timeline.", "SVG")] = None,
    json_path: options.Json = None,
) -> None:
    """Show a sieve: its state, its checks, its uses."""
    from sieve_registry.checks.validation import validated_checks
    from sieve_registry.people import queries as people_queries
    from sieve_registry.people.rules import mark_findings
    from sieve_registry.sieves import queries as sieve_queries

    output.check_outputs([("--plot", plot)], json_path)
    with options.opened(context) as registry:
        state = sieve_queries.get_state(registry, sieve_id, options.read_day(as_of))
        history = sieve_queries.get_history(registry, sieve_id)
        marks = people_queries.marks(registry, state.as_of, state.sieve.id)
        software = validated_checks(registry, history.sieve.id)
    findings = mark_findings(marks)
    if plot is not None:
        from sieve_registry.report.charts import standalone
        from sieve_registry.report.timeline import marks_of, timeline_svg

        drawn = timeline_svg(history, marks_of(history), state.as_of)
        output.write_bytes(plot, standalone(drawn).encode())
    answer = state_dict(state, history, findings)
    for check in answer["checks"]:
        check["software_validated"] = software[check["id"]].state
    if output.emit(json_path, answer):
        return
    _print_sieve(state, history)
    for check in answer["checks"]:
        standing = software[check["id"]]
        if standing.fact is not None:
            output.text(f"Software of {check['id']}: {standing.sentence}.", "    ", first="  ")
    for finding in findings:
        output.text(f"Not authorised: {finding.message}.")


def _print_sieve(state: SieveState, history: SieveHistory) -> None:
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
        ("warp", state.details.warp_text),
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
    output.line(f"Sieve {_headline(state)}, on {state.as_of}")
    for name, value in facts:
        if value:
            output.text(value, " " * 16, first=f"  {name:<14}")
    rows = [
        (c.id, c.on_date, c.outcome, c.x.mean_um, c.y.mean_um, c.person)
        for c in history.checks
        if c.on_date <= state.as_of
    ]
    if rows:
        output.line()
        columns = {
            "check": "", "date": "", "outcome": "", "mean x, um": ">.2f", "mean y, um": ">.2f",
            "by": "",
        }  # fmt: skip
        output.table("", columns, rows)
    _print_uses(state, history)
    _print_acts(state, history)


def _print_uses(state: SieveState, history: SieveHistory) -> None:
    """The last few uses, with the number to correct each by."""
    uses = sorted((u for u in history.uses if u.on_date <= state.as_of), key=lambda u: u.seq)
    if not uses:
        return
    columns = {"record": "", "date": "", "uses": ">", "how": "", "by": ""}
    rows = [
        (f"#{use.seq}", use.on_date, use.count,
         ", ".join(t for t in (use.details.method, use.details.material, use.note) if t),
         use.person)
        for use in uses[-_LAST_USES:]
    ]  # fmt: skip
    output.line()
    more = f", the last {_LAST_USES} of {len(uses)}" if len(uses) > _LAST_USES else ""
    output.table(f"Uses logged{more}", columns, rows)


def _print_acts(state: SieveState, history: SieveHistory) -> None:
    """Other records of the sieve, and corrections with both contents."""
    from sieve_registry.ledger.events import CertificateRecorded
    from sieve_registry.sieves.certificates import summary_of

    acts = [act for act in history.acts if act.on_date <= state.as_of]
    if acts:
        output.line()
    for act in acts:
        if isinstance(act.payload, CertificateRecorded):
            words = summary_of(act.payload)
        else:
            names = ("check", "method", "reason", "note")
            texts = [str(getattr(act.payload, name, "")) for name in names]
            words = ", ".join(text for text in texts if text)
        head = f"#{act.seq:<5} {act.on_date}  {act.kind} by {act.person}: "
        output.text(f"{head}{words}", " " * 8, first="  ")
    for made in history.corrections:
        output.line(f"  #{made.seq:<5} {made.on_date}  {correction_words(made)} ({made.person})")


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
    return f"{state.sieve.id}, {length_text(state.sieve.nominal_nm)}"
