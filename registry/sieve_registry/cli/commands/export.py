"""`sieveward export`: the complete registry, or a table of sieves or checks."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option


class What(StrEnum):
    """The kind of table."""

    SIEVES = "sieves"
    CHECKS = "checks"


def export(
    context: typer.Context,
    out: Annotated[Path, argument("Folder or .zip: everything; .csv or .xlsx: a table.", "PATH")],
    *,
    what: Annotated[What, option("Kind of table.")] = What.SIEVES,
    json_path: options.Json = None,
) -> None:
    """Export the complete registry as JSON Lines with its evidence, or a table."""
    from sieve_registry.exchange import archive, sheets, tables

    is_table = out.suffix.lower() in (".csv", ".xlsx")
    output.check_outputs([("The table", out if is_table else None)], json_path)
    with options.opened(context) as registry:
        if not is_table:
            manifest = archive.export_all(registry, out)
            if not output.emit(
                json_path, {"file": str(out), **output.fields(manifest, *output.MANIFEST)}
            ):
                output.line(f"Exported {manifest.events} events to {out}.")
                output.line(f"Ledger head: {manifest.head or '-'}")
            return
        rows = (tables.sieve_rows if what is What.SIEVES else tables.check_rows)(registry)
    xlsx = out.suffix.lower() == ".xlsx"
    output.write_bytes(out, sheets.xlsx_bytes(what.value, rows) if xlsx else sheets.csv_bytes(rows))
    if not output.emit(json_path, {"file": str(out), "rows": len(rows) - 1}):
        output.line(f"Exported {len(rows) - 1} {what.value} to {out}.")
