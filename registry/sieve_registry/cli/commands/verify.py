"""`sieveward verify`: prove that the registry still says what was recorded."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_text

__all__ = ["verify"]


def verify(
    context: typer.Context,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="HASH", help="A head noted earlier that must be there."),
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Prove the chain of events, the records derived from it, every evidence file and byte."""
    from sieve_registry.audit import verification
    from sieve_registry.errors import BrokenRecordError

    with opened(context) as registry:
        found = verification.verify(registry, head)
    payload = {
        "ok": found.ok,
        "events": found.events,
        "head": found.head,
        "sealed": found.sealed,
        "findings": [dict(finding.__dict__) for finding in found.findings],
    }
    told = emit_json(json_path, payload)
    if not told:
        for finding in found.findings:
            print_text(f"{finding.source}: {finding.subject}: {finding.message}", "  ")
    if not found.ok:
        first = found.findings[0]
        raise BrokenRecordError(
            count=len(found.findings), first=f"{first.subject}: {first.message}"
        )
    if not told:
        print_line(f"All is as recorded: {found.events} events and their evidence agree.")
        print_line(f"Ledger head: {found.head or '-'}")
        if found.sealed is False:
            print_line(
                "Not held to a seal this time: bytes of the file in which nothing is kept. A\n"
                "program was stopped before it sealed the file, or has it open now."
            )
