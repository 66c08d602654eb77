"""`sieveward restore`: a registry back from its backup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, print_text

__all__ = ["restore"]


def restore(
    context: typer.Context,
    source: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The backup.")],
    json_path: JsonOption = None,
) -> None:
    """Bring a registry back from a backup to where --registry says, and verify it."""
    from sieve_registry.audit import verification
    from sieve_registry.errors import BrokenRecordError
    from sieve_registry.exchange import archive

    told = archive.read_manifest(source)  # before anything is begun
    with opened(context, create=True) as registry:
        archive.import_all(registry, source)
        proof = verification.verify(registry, told.head)
        where = registry.where
    if not proof.ok:
        first = proof.findings[0]
        message = f"{first.subject}: {first.message}"
        raise BrokenRecordError(count=len(proof.findings), first=message)
    if not emit_json(json_path, {"registry": where, **told.__dict__, "ok": proof.ok}):
        print_line(f"Restored {told.events} events and {told.evidence} evidence files to {where}.")
        print_text(f"All is as recorded; head of the ledger: {told.head or '-'}")
