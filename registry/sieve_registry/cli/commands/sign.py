"""`sieveward sign`: sign off a check as the second person, or sign the ledger with a key."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.options import (
    ByOption,
    DateOption,
    WhyLateOption,
    opened,
    record_terms,
)
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line


class Demand(StrEnum):
    """Whether the laboratory requires a second person."""

    YES = "yes"
    NO = "no"


def sign(
    context: typer.Context,
    check_id: Annotated[
        str | None, typer.Argument(metavar="[CHECK]", help="The check to sign off, like C-0012.")
    ] = None,
    *,
    note: Annotated[str, typer.Option("--note", metavar="T", help="A remark.")] = "",
    head: Annotated[
        Path | None,
        typer.Option("--head", metavar="KEY", help="Sign the ledger's head with this key file."),
    ] = None,
    new_key: Annotated[
        Path | None, typer.Option("--new-key", metavar="FILE", help="Make a key of your own.")
    ] = None,
    demand: Annotated[
        Demand | None,
        typer.Option("--demand", help="Whether every check needs a second person from now on."),
    ] = None,
    date: DateOption = None,
    by: ByOption = None,
    why_late: WhyLateOption = "",
    json_path: JsonOption = None,
) -> None:
    """Sign off a check as the second person, or sign the ledger with a key (Ed25519)."""
    from sieve_registry.audit import commands as audit_commands
    from sieve_registry.checks import commands as check_commands
    from sieve_registry.cli.support.records import due_dict
    from sieve_registry.ledger.signing import new_key as make_key

    given = [value for value in (check_id, head, new_key, demand) if value is not None]
    if len(given) != 1:
        raise UsageError(
            message="Give exactly one of CHECK, --head KEY, --new-key FILE and --demand."
        )
    terms = record_terms(date, by, why_late)
    if new_key is not None:
        public = make_key(new_key)
        if not emit_json(json_path, {"key": str(new_key), "public_key": public}):
            print_line(f"Wrote {new_key}: keep it secret. Its public key, for others:")
            print_line(public)
        return
    with opened(context) as registry:
        if check_id is not None:
            state = check_commands.sign_check(registry, check_id, note, terms)
            payload = due_dict(state)
            words = f"Signed off: {check_id} of sieve {state.sieve.id}."
        elif head is not None:
            event = audit_commands.sign_head(registry, head, terms)
            payload = {"event": event.seq, "signed_head": event.previous, "head": event.hash}
            words = f"Signed: {event.seq - 1} events, head {event.previous}."
        else:
            event = audit_commands.demand_sign_off(registry, demand is Demand.YES, terms)
            payload = {"event": event.seq, "sign_off": demand is Demand.YES}
            second = "needs a second person" if demand is Demand.YES else "needs no second person"
            words = f"From {event.on_date} on, a check {second}."
    if not emit_json(json_path, payload):
        print_line(words)
