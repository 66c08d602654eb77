"""`sieveward restore`: restore a registry from its backup."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument


def restore(
    context: typer.Context,
    source: Annotated[Path, argument("The backup.", "FILE.zip")],
    json_path: options.Json = None,
) -> None:
    """Restore a registry from a backup to the place --registry names, and verify it."""
    from sieve_registry.audit import verification
    from sieve_registry.errors import BrokenRecordError
    from sieve_registry.exchange import archive

    manifest = archive.read_manifest(source)  # before the registry is created
    with options.opened(context, create=True) as registry:
        archive.import_all(registry, source)
        proof = verification.verify(registry, manifest.head)
        where = registry.where
    if not proof.ok:
        first = proof.findings[0]
        message = f"{first.subject}: {first.message}"
        raise BrokenRecordError(count=len(proof.findings), first=message)
    if not output.emit(
        json_path, {"registry": where, **output.fields(manifest, *output.MANIFEST), "ok": proof.ok}
    ):
        output.line(
            f"Restored {manifest.events} events and {manifest.evidence} evidence files to {where}."
        )
        output.text(f"Everything is as recorded; head of the ledger: {manifest.head or '-'}")
