"""`sieveward backup`: the whole registry with its evidence into one file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line

__all__ = ["backup"]


def backup(
    context: typer.Context,
    out: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The file to write.")],
    json_path: JsonOption = None,
) -> None:
    """Back the registry up with its evidence, and read the backup once to prove it."""
    from sieve_registry.exchange import archive

    if out.suffix.lower() != ".zip":
        raise UsageError(message=f"A backup is one .zip file: name it {out.name}.zip.")
    with opened(context) as registry:
        found = archive.export_all(registry, out)
        archive.prove(out)
    if not emit_json(json_path, {"file": str(out), **found.__dict__}):
        print_line(f"Backed up {found.events} events and {found.evidence} evidence files to {out}.")
        print_line(f"Ledger head: {found.head or '-'}")
        print_line("Keep it on another disk. It comes back with: sieveward restore FILE.zip")
