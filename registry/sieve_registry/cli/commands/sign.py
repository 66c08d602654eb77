"""`sieveward sign`: sign off a check as the second person, or sign the ledger with a key."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.records import due_dict

if TYPE_CHECKING:
    from sieve_registry.people.recording import RecordTerms
    from sieve_registry.store.engine import Registry

_NOT_VERIFIED = "its signature was not verified: --stamp-certificate FILE.pem does"


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
        options.YesNo | None, option("Whether every check needs a second person from now on.")
    ] = None,
    stamp_request: Annotated[
        Path | None, option("Write a time stamp request (RFC 3161) for the head.", "FILE.tsq")
    ] = None,
    stamp: Annotated[
        Path | None, option("Attach the authority's answer to such a request.", "FILE.tsr")
    ] = None,
    stamp_certificate: Annotated[
        Path | None, option("With --stamp: verify it against this certificate.", "FILE.pem")
    ] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Sign off a check as the second person, or sign the ledger with a key (Ed25519).

    A time stamp of an authority is exchanged as files: --stamp-request writes the
    question, --stamp keeps the answer. Nothing is sent.
    """
    from sieve_registry.audit import commands as audit_commands
    from sieve_registry.checks import commands as check_commands

    wanted = (check_id, head, new_key, trust, demand, stamp_request, stamp)
    if sum(value is not None for value in wanted) != 1:
        raise UsageError(
            message="Give exactly one of CHECK, --head KEY, --new-key FILE, --trust KEY, "
            "--demand, --stamp-request FILE and --stamp FILE."
        )
    if stamp_certificate is not None and stamp is None:
        raise UsageError(message="--stamp-certificate verifies a time stamp: give --stamp too.")
    terms = options.terms(date, by, why_late)
    if new_key is not None or trust is not None:
        _key(new_key, trust or "", json_path)
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
        elif stamp_request is not None:
            payload, words = _request(registry, stamp_request)
        elif stamp is not None:
            payload, words = _attach(registry, stamp, stamp_certificate, terms)
        else:
            demanded = demand is options.YesNo.YES
            event = audit_commands.demand_sign_off(registry, demanded, terms)
            payload = {"event": event.seq, "sign_off": demanded}
            second = "a" if demanded else "no"
            words = f"From {event.on_date} on, a check needs {second} second person."
    if not output.emit(json_path, payload):
        (output.text if stamp or stamp_request else output.line)(words)


def _key(new: Path | None, trust: str, json_path: str | None) -> None:
    """Make a key, or trust one; print its public part."""
    from sieve_registry.audit import commands as audit_commands

    if new is not None:
        public = audit_commands.make_key(new)
        payload = {"key": str(new), "public_key": public}
        words = f"Wrote {new}: keep it secret. Its public key, for others:"
    else:
        public = audit_commands.trust_key(trust)
        payload = {"trusted_key": public}
        words = "From now on `verify` requires the newest signature to be by this key:"
    if not output.emit(json_path, payload):
        output.line(words)
        output.line(public)


def _request(registry: Registry, file: Path) -> tuple[dict[str, Any], str]:
    """Write the time stamp request; the answer in JSON and in words."""
    from sieve_registry.audit import stamps

    request, event = stamps.stamp_request(registry)
    output.write_bytes(file, request)
    words = f"Wrote {file} for {event.seq} events. Send it to a time stamp authority, and attach "
    words += "its answer: sieveward sign --stamp FILE.tsr"
    return {"file": str(file), "events": event.seq, "head": event.hash}, words


def _attach(
    registry: Registry, stamp: Path, certificate: Path | None, terms: RecordTerms
) -> tuple[dict[str, Any], str]:
    """Attach an authority's answer; the answer in JSON and in words."""
    from sieve_registry.audit import stamps

    event = stamps.attach_stamp(registry, stamp, certificate, terms)
    kept = json.loads(event.payload)
    verified = "its signature was verified" if certificate else _NOT_VERIFIED
    words = f"Attached: {kept['events']} events time-stamped at {kept['stamped_at']}; hash and "
    words += f"status agree, {verified}."
    return {"event": event.seq, "ledger_head": event.hash, **kept}, words
