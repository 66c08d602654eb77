"""`sieveward backup`: the complete registry with its evidence in one file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument


def backup(
    context: typer.Context,
    out: Annotated[Path, argument("The file to write.", "FILE.zip")],
    json_path: options.Json = None,
) -> None:
    """Back up the registry with its evidence, and prove the backup by reading it once."""
    from sieve_registry.exchange import archive

    if out.suffix.lower() != ".zip":
        raise UsageError(message=f"A backup is a .zip file: name it {out.name}.zip.")
    with options.opened(context) as registry:
        manifest = archive.export_all(registry, out)
        archive.prove(out)
    if not output.emit(json_path, {"file": str(out), **output.fields(manifest, *output.MANIFEST)}):
        output.line(
            f"Backed up {manifest.events} events and {manifest.evidence} evidence files to {out}."
        )
        output.line(f"Ledger head: {manifest.head or '-'}")
        output.line("Keep it on another disk. To restore it: sieveward restore FILE.zip")
