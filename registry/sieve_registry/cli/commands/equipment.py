"""`sieveward equipment add|list|show|log|edit`: equipment of any kind, and what happened to it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import (
    correction_dict,
    evidence_dicts,
    print_corrections,
    write_documents,
)
from sieve_registry.ledger.choices import EquipmentAct, EquipmentKind

if TYPE_CHECKING:
    from sieve_registry.ledger.events import EquipmentLogged
    from sieve_registry.ledger.records import Fact
    from sieve_registry.quality.equipment_lookback import EquipmentLookback
    from sieve_registry.scales.equipment import Equipment

_EQUIPMENT = (
    "id kind maker model serial firmware driver place criterion names received valid_to next_due "
    "note state doubt due overdue event=seq by=person recorded_at"
)
_ID = Annotated[str, argument("Its name.", "ID")]
_Documents = Annotated[list[Path] | None, option("A document, kept as evidence.", "FILE", "--file")]

equipment_app = typer.Typer(
    no_args_is_help=True,
    help="Equipment of any kind (ISO/IEC 17025, 6.4.13): add, list, show, log, edit.",
)


class CheckOutcome(StrEnum):
    """The outcome of a check of equipment."""

    PASS = "pass"
    FAIL = "fail"


@equipment_app.command()
def add(
    context: typer.Context,
    equipment_id: _ID,
    *,
    kind: Annotated[EquipmentKind, option("What it is.")],
    maker: Annotated[str, option("Who made it.", "T")] = "",
    model: Annotated[str, option("Model or type.", "T")] = "",
    serial: Annotated[str, option("Serial number, or the lot of a material.", "T")] = "",
    firmware: Annotated[str, option("Version of its firmware.", "T")] = "",
    driver: Annotated[str, option("Driver or software, with version.", "T")] = "",
    place: Annotated[str, option("Where it stands.", "T")] = "",
    criterion: Annotated[str, option("What it has to conform to.", "T")] = "",
    names: Annotated[
        list[str] | None, option("A device or artefact that is this piece.", "NAME", "--for")
    ] = None,
    received: Annotated[str | None, option("Day it was received.", "YYYY-MM-DD")] = None,
    valid_to: Annotated[
        str | None, option("Last day a reference material may be used.", "YYYY-MM-DD")
    ] = None,
    next_due: Annotated[str | None, option("Day of its next check.", "YYYY-MM-DD")] = None,
    note: Annotated[str, option("A note.", "T")] = "",
    files: _Documents = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a piece of equipment. A device or artefact of the same name is this piece."""
    from sieve_registry.scales import equipment

    output.check_outputs([], json_path, [("the document", file) for file in files or ()])
    new = equipment.NewEquipment(
        id=equipment_id,
        kind=kind.value,
        maker=maker,
        model=model,
        serial=serial,
        firmware=firmware,
        driver=driver,
        place=place,
        criterion=criterion,
        names=tuple(names or ()),
        received=options.read_day(received),
        valid_to=options.read_day(valid_to),
        next_due=options.read_day(next_due),
        note=note,
    )
    terms = options.terms(None, by, why_late)
    with options.opened(context, create=True) as registry:
        piece = equipment.add_equipment(registry, new, terms, files or ())
    _show(piece, json_path)


@equipment_app.command("list")
def list_(
    context: typer.Context, as_of: options.AsOf = None, json_path: options.Json = None
) -> None:
    """List the equipment with its state and next day, retired pieces too."""
    from sieve_registry.scales import equipment

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        pieces = equipment.recorded_equipment(registry, day)
    answer = {
        "as_of": day.isoformat(),
        "equipment": [output.fields(piece, _EQUIPMENT) for piece in pieces],
    }
    if output.emit(json_path, answer):
        return
    if not pieces:
        output.line("No equipment yet. To add some: sieveward equipment add ID --kind KIND …")
        return
    columns = {"equipment": "", "kind": "", "state": "", "due": "", "to note": ""}
    rows = [
        (output.shortened(p.id), p.kind, p.state, p.due,
         output.shortened(p.doubt or ("overdue" if p.overdue else ""), 18))
        for p in pieces
    ]  # fmt: skip
    output.table(f"Equipment on {day}", columns, rows)


@equipment_app.command()
def show(
    context: typer.Context,
    equipment_id: _ID,
    as_of: options.AsOf = None,
    documents: options.Documents = None,
    json_path: options.Json = None,
) -> None:
    """Show a piece of equipment: its record, its state, every event, and what is in question."""
    from sieve_registry.quality.equipment_lookback import equipment_lookbacks, record_name
    from sieve_registry.scales import equipment
    from sieve_registry.scales.corrections import amendments

    with options.opened(context) as registry:
        piece = equipment.equipment_named(registry, equipment_id, options.read_day(as_of))
        kinds = {kind.KIND for kind in equipment.EQUIPMENT_EVENTS}
        corrections = [made for made in amendments(registry, piece.id) if made.kind in kinds]
        reviews = equipment_lookbacks(registry, piece.as_of, piece.id)
        if documents is not None:
            kept = [
                *piece.evidence,
                *(file for fact in piece.log for file in fact.payload.evidence),
            ]
            write_documents(registry, kept, documents)
    answer = {
        **equipment_dict(piece),
        "corrections": [correction_dict(correction) for correction in corrections],
        "in_question": [_review_dict(review) for review in reviews],
    }
    if output.emit(json_path, answer):
        return
    _print(piece)
    for review in reviews:
        if review.records:
            output.text(f"In question: {review.reason}. Measured with it {review.span}:")
        for record in review.records:
            output.text(f"  {record.on_date}  {record_name(record)}, event {record.seq}")
    print_corrections(corrections)


@equipment_app.command()
def log(
    context: typer.Context,
    equipment_id: _ID,
    event: Annotated[EquipmentAct, argument("What happened.")],
    *,
    outcome: Annotated[CheckOutcome | None, option("Of a check.")] = None,
    note: Annotated[str, option("What was found or done.", "T")] = "",
    next_due: Annotated[str | None, option("Day of its next check.", "YYYY-MM-DD")] = None,
    files: _Documents = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record a check, adjustment, damage, repair, quarantine, return or retirement.

    While a device or artefact is quarantined or retired, check and scale refuse
    it.
    """
    from sieve_registry.scales import equipment

    output.check_outputs([], json_path, [("the document", file) for file in files or ()])
    with options.opened(context) as registry:
        piece = equipment.log_equipment(
            registry,
            equipment_id,
            event.value,
            options.terms(date, by, why_late),
            outcome="" if outcome is None else outcome.value,
            note=note,
            next_due=options.read_day(next_due),
            documents=files or (),
        )
    _show(piece, json_path)


@equipment_app.command()
def edit(
    context: typer.Context,
    equipment_id: _ID,
    *,
    changes: Annotated[
        list[str], option("place, firmware, next_due, …; empty clears.", "NAME=VALUE", "--set")
    ],
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Change fields of a record from a day on; the former record stays known for the past."""
    from sieve_registry.scales import equipment

    wanted = {}
    for change in changes:
        name, equals, value = change.partition("=")
        if not equals:
            raise UsageError(message=f"Write a change as NAME=VALUE, not {change!r}.")
        wanted[name.strip().replace("-", "_")] = value.strip()
    with options.opened(context) as registry:
        terms = options.terms(date, by, why_late)
        piece = equipment.edit_equipment(registry, equipment_id, wanted, terms)
    _show(piece, json_path)


def equipment_dict(piece: Equipment) -> dict[str, Any]:
    """A piece of equipment with its events, for JSON."""
    return {
        "as_of": piece.as_of.isoformat(),
        **output.fields(piece, _EQUIPMENT),
        "findings": [finding.message for finding in piece.findings],
        "evidence": evidence_dicts(piece.evidence),
        "log": [_event_dict(fact) for fact in piece.log],
    }


def _review_dict(review: EquipmentLookback) -> dict[str, Any]:
    """A failure of a piece, and the events of what was measured with it."""
    return {
        **output.fields(review, "because=reason event=cause.seq since=before.on_date"),
        "records": [fact.seq for fact in review.records],
    }


def _event_dict(fact: Fact[EquipmentLogged]) -> dict[str, Any]:
    return {
        **output.fields(fact, "event=seq date=on_date"),
        **output.fields(fact.payload, "act outcome note next_due"),
        "evidence": evidence_dicts(fact.payload.evidence),
        **output.fields(fact, "by=person recorded_at"),
    }


def _show(piece: Equipment, json_path: str | None) -> None:
    if output.emit(json_path, equipment_dict(piece)):
        return
    _print(piece)


def _print(piece: Equipment) -> None:
    output.line(f"{piece.id}, {piece.kind}, on {piece.as_of}: {piece.state}")
    lines = [
        ("made by", " ".join(text for text in (piece.maker, piece.model) if text)),
        ("serial", piece.serial),
        ("firmware", piece.firmware),
        ("driver", piece.driver),
        ("place", piece.place),
        ("conforms to", piece.criterion),
        ("stands for", ", ".join(piece.names)),
        ("received", str(piece.received or "")),
        ("valid to", str(piece.valid_to or "")),
        ("next due", str(piece.next_due or "")),
        ("note", piece.note),
        *(("to note", finding.message) for finding in piece.findings),
        *(("document", f"{file.name}, {file.sha256[:16]}…") for file in piece.evidence),
    ]
    for name, text in lines:
        if text:
            output.text(f"{name:<14}{text}", " " * 16, first="  ")
    for fact in piece.log:
        stated = fact.payload
        due = f"next due {stated.next_due}" if stated.next_due else ""
        files = ", ".join(file.name for file in stated.evidence)
        words = "; ".join(text for text in (stated.outcome, stated.note, due, files) if text)
        head = f"#{fact.seq:<5} {fact.on_date}  {stated.act} by {fact.person}"
        output.text(f"{head}: {words}" if words else head, " " * 8, first="  ")
