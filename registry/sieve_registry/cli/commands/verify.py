"""`sieveward verify`: prove that the registry is as it was recorded."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option


def verify(
    context: typer.Context,
    head: Annotated[
        str | None, option("An earlier head that must be part of the ledger.", "HASH")
    ] = None,
    json_path: options.Json = None,
) -> None:
    """Prove the chain of events, the records derived from it, and every evidence file."""
    from sieve_registry.audit import verification
    from sieve_registry.cli.support.records import finding_dicts
    from sieve_registry.errors import BrokenRecordError

    with options.opened(context) as registry:
        proof = verification.verify(registry, head)
    payload = {
        "ok": proof.ok,
        "events": proof.events,
        "head": proof.head,
        "sealed": proof.sealed,
        "findings": finding_dicts(proof.findings),
    }
    written = output.emit(json_path, payload)
    if not written:
        for finding in proof.findings:
            output.text(f"{finding.source}: {finding.subject}: {finding.message}", "  ")
    if not proof.ok:
        first = proof.findings[0]
        raise BrokenRecordError(
            count=len(proof.findings), first=f"{first.subject}: {first.message}"
        )
    if not written:
        output.line(f"Everything is as recorded: {proof.events} events and their evidence agree.")
        output.line(f"Ledger head: {proof.head or '-'}")
        if proof.sealed is False:
            output.text(
                "Unused file space was not verified: a program was stopped before it sealed the "
                "file, or has the file open now."
            )
