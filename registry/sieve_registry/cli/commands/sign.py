"""`sieveward sign`: sign off a check as the second person, or sign the ledger with a key."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import due_dict


class Demand(StrEnum):
    """Whether the laboratory requires a second person."""

    YES = "yes"
    NO = "no"


def sign(
    context: typer.Context,
    check_id: Annotated[
        str | None, argument("The check to sign off, like C-0012.", "[CHECK]")
    ] = None,
    *,
    note: Annotated[str, option("A remark.", "T")] = "",
    head: Annotated[
        Path | None, option("Sign the ledger's head with this key file.", "KEY")
    ] = None,
    new_key: Annotated[Path | None, option("Make a key of your own.", "FILE")] = None,
    trust: Annotated[
        str | None, option("Require this public key in every later verify.", "KEY")
    ] = None,
    demand: Annotated[
        Demand | None, option("Whether every check needs a second person from now on.")
    ] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Sign off a check as the second person, or sign the ledger with a key (Ed25519)."""
    from sieve_registry.audit import commands as audit_commands
    from sieve_registry.checks import commands as check_commands

    given = [value for value in (check_id, head, new_key, trust, demand) if value is not None]
    if len(given) != 1:
        raise UsageError(
            message="Give exactly one of CHECK, --head KEY, --new-key FILE, --trust KEY "
            "and --demand."
        )
    terms = options.terms(date, by, why_late)
    if new_key is not None:
        public = audit_commands.make_key(new_key)
        if not output.emit(json_path, {"key": str(new_key), "public_key": public}):
            output.line(f"Wrote {new_key}: keep it secret. Its public key, for others:")
            output.line(public)
        return
    if trust is not None:
        public = audit_commands.trust_key(trust)
        if not output.emit(json_path, {"trusted_key": public}):
            output.line("From now on `verify` requires the newest signature to be by this key:")
            output.line(public)
        return
    with options.opened(context) as registry:
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
    if not output.emit(json_path, payload):
        output.line(words)
