"""`sieveward due`: which sieves need a check, and when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
from sieve_registry.cli.support.records import (
    attention_words,
    due_dict,
    due_words,
    finding_dicts,
    length_text,
    remarks,
)
from sieve_registry.values import shell_word

if TYPE_CHECKING:
    from sieve_registry.ledger.records import SieveState
    from sieve_registry.quality.queries import CertificateDue
    from sieve_registry.scales.equipment import Equipment

_CERTIFICATE = (
    "id=certificate.subject number=certificate.payload.number "
    "laboratory=certificate.payload.laboratory due overdue"
)
_EQUIPMENT = "id kind state due overdue"
_LOOKBACK = "id=sieve_id because=cause.reason cause=cause.seq since uses"


class FailOnDue(StrEnum):
    """When `--fail-on` ends with exit code 1."""

    OVERDUE = "overdue"


def due(
    context: typer.Context,
    as_of: options.AsOf = None,
    within: Annotated[int | None, option("Due within this number of days.", "DAYS")] = None,
    fail_on: Annotated[
        FailOnDue | None, option("Exit 1 when a sieve or equipment is overdue.")
    ] = None,
    json_path: options.Json = None,
) -> None:
    """List the sieves in service by the due day of their next check, overdue first.

    Certificates of outside laboratories and equipment with a next day follow,
    then look-backs whose results are not all decided, findings, open points.
    """
    from sieve_registry.audit.attention import attention
    from sieve_registry.quality import queries
    from sieve_registry.scales.equipment import due_equipment
    from sieve_registry.sieves import queries as sieve_queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        waiting = sieve_queries.due(registry, day, within)
        certificates = queries.certificates_due(registry, day, within)
        equipment = due_equipment(registry, day, within)
        lookbacks = queries.open_lookbacks(registry, day)
        noted = attention(registry)
    wanted = waiting if json_path is not None else []
    payload = {
        "as_of": day.isoformat(),
        "sieves": [due_dict(state) for state in wanted],
        "certificates": [output.fields(entry, _CERTIFICATE) for entry in certificates],
        "equipment": [output.fields(piece, _EQUIPMENT) for piece in equipment],
        "lookbacks": [output.fields(review, _LOOKBACK) for review in lookbacks],
        "attention": finding_dicts(noted),
    }
    if not output.emit(json_path, payload):
        print_due(waiting, day)
        _print_others(certificates, equipment)
        for review in lookbacks:
            because = review.cause.reason if review.cause else ""
            output.text(
                f"Open look-back: {because}; results to decide: {len(review.undecided)}. "
                f"See: sieveward lookback {shell_word(review.sieve_id)}"
            )
        for finding in noted:
            output.text(f"Also: {attention_words(finding)}")
    late = [entry.overdue for entry in waiting] + [piece.overdue for piece in equipment]
    if fail_on is not None and any(late):
        raise typer.Exit(1)


def _print_others(certificates: Sequence[CertificateDue], equipment: Sequence[Equipment]) -> None:
    """Certificates that state a next day, and equipment with one."""
    for title, rows in (
        (
            "Next certificates",
            [(entry.certificate.subject, entry.certificate.payload.laboratory, entry)
             for entry in certificates],
        ),
        ("Equipment due", [(piece.id, piece.kind, piece) for piece in equipment]),
    ):  # fmt: skip
        if rows:
            output.line()
            columns = {"name": "", "": "", "due": ""}
            cells = [
                (name, output.shortened(what, 30), f"{of.due}{' overdue' if of.overdue else ''}")
                for name, what, of in rows
            ]
            output.table(title, columns, cells)


def print_due(waiting: Sequence[SieveState], day: date) -> None:
    """The due list for a person."""
    columns = {"sieve": "", "nominal": ">", "last check": "", "outcome": "", "due": ""}
    rows = [
        (s.sieve.id, length_text(s.sieve.nominal_nm), s.last_check and s.last_check.on_date,
         s.result, due_words(s))
        for s in waiting
    ]  # fmt: skip
    output.table(f"Checks due, as of {day}", columns, rows)
    output.line()
    late = sum(state.overdue for state in waiting)
    output.line(f"{len(waiting)} to check, {late} overdue.")
    for state in waiting:
        for remark in remarks(state):
            output.text(remark)
