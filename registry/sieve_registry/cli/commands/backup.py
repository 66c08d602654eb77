"""`sieveward backup`: the complete registry with its evidence in one file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.json_fields import MANIFEST, fields
from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line


def backup(
    context: typer.Context,
    out: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The file to write.")],
    json_path: JsonOption = None,
) -> None:
    """Back up the registry with its evidence, and prove the backup by reading it once."""
    from sieve_registry.exchange import archive

    if out.suffix.lower() != ".zip":
        raise UsageError(message=f"A backup is a .zip file: name it {out.name}.zip.")
    with opened(context) as registry:
        manifest = archive.export_all(registry, out)
        archive.prove(out)
    if not emit_json(json_path, {"file": str(out), **fields(manifest, *MANIFEST)}):
        print_line(
            f"Backed up {manifest.events} events and {manifest.evidence} evidence files to {out}."
        )
        print_line(f"Ledger head: {manifest.head or '-'}")
        print_line("Keep it on another disk. To restore it: sieveward restore FILE.zip")
