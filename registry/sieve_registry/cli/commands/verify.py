"""`sieveward verify`: prove that the registry is as it was recorded."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_text


def verify(
    context: typer.Context,
    head: Annotated[
        str | None,
        typer.Option(
            "--head", metavar="HASH", help="An earlier head that must be part of the ledger."
        ),
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Prove the chain of events, the records derived from it, and every evidence file."""
    from sieve_registry.audit import verification
    from sieve_registry.cli.support.records import finding_dicts
    from sieve_registry.errors import BrokenRecordError

    with opened(context) as registry:
        proof = verification.verify(registry, head)
    payload = {
        "ok": proof.ok,
        "events": proof.events,
        "head": proof.head,
        "sealed": proof.sealed,
        "findings": finding_dicts(proof.findings),
    }
    written = emit_json(json_path, payload)
    if not written:
        for finding in proof.findings:
            print_text(f"{finding.source}: {finding.subject}: {finding.message}", "  ")
    if not proof.ok:
        first = proof.findings[0]
        raise BrokenRecordError(
            count=len(proof.findings), first=f"{first.subject}: {first.message}"
        )
    if not written:
        print_line(f"Everything is as recorded: {proof.events} events and their evidence agree.")
        print_line(f"Ledger head: {proof.head or '-'}")
        if proof.sealed is False:
            print_text(
                "Unused file space was not verified: a program was stopped before it sealed the "
                "file, or has the file open now."
            )
