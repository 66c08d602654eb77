"""The number of every record a command made, and how to undo it, at the end of its output."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from shlex import quote

import typer

from sieve_registry.cli.support import output
from sieve_registry.ledger.records import Event
from sieve_registry.store.engine import Registry

_CHANGED = "To change it, record it again: the later record counts."


def last_event(registry: Registry) -> int:
    """The number of the newest record, 0 where there is none."""
    from sieve_registry.store import reader

    with registry.reading() as connection:
        last = reader.last_event(connection)
    return 0 if last is None else last.seq


def say_at_the_end(context: typer.Context, registry: Registry, before: int) -> None:
    """Print what was recorded after event `before` once the command has printed its own."""
    from sieve_registry.ledger.events import FindingRaised
    from sieve_registry.store import reader

    if "-" in (context.params.get("json_path"), context.params.get("json")):
        return
    with registry.reading() as connection:
        first, last = reader.event_of(connection, before + 1), reader.last_event(connection)
        facts = reader.facts(connection, [FindingRaised]) if first is not None else []
        raised = [f for f in facts if f.seq > before and f.payload.by_program]
        if raised:  # they end the transaction of the record that they follow
            last = reader.event_of(connection, raised[0].seq - 1)
    if first is not None and last is not None:
        context.call_on_close(partial(_say, first, last, [fact.subject for fact in raised]))


def _say(first: Event, last: Event, findings: Sequence[str]) -> None:
    """Print the numbers from the first to the last record, and of findings the program raised."""
    if findings:
        output.text(f"Raised by the program: {', '.join(findings)}. See: sieveward finding list")
    from sieve_registry.ledger.events import CheckRecorded

    if first.kind == CheckRecorded.KIND and first.seq == last.seq:
        number = json.loads(first.payload)["check"]  # a check is known by its own number
        output.text(f"To withdraw it: sieveward correct {number} --void --reason T")
    elif first.seq == last.seq:
        output.text(f"Recorded as event {first.seq}. {_undo_of(first)}")
    else:
        undo = "To withdraw one of them: sieveward correct NUMBER --void --reason T"
        output.text(f"Recorded as events {first.seq} to {last.seq}. {undo}")


def _undo_of(event: Event) -> str:
    """How a record is put right."""
    from sieve_registry.ledger import corrections, events
    from sieve_registry.scales.corrections import AMENDABLE

    if event.kind in corrections.VOIDABLE or event.kind in AMENDABLE:
        return f"To withdraw it: sieveward correct {event.seq} --void --reason T"
    edit = f"sieveward sieve edit {quote(event.subject)}"
    own: Mapping[str, str] = {
        events.SieveAdded.KIND: f"To put it right: {edit}, after its first check sieveward correct "
        f"{event.seq} --set NAME=VALUE --reason T",
        events.ReportIssued.KIND: f"To withdraw it: sieveward report --withdraw {event.subject} "
        "--reason T",
        events.AuthorisationGiven.KIND: "To withdraw it: sieveward person withdraw",
        events.RecordCorrected.KIND: "To change it, correct the same record again.",
    }
    return own.get(event.kind, _CHANGED)
