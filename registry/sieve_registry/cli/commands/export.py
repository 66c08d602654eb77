"""`sieveward export`: the complete registry, or a table of sieves or checks."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.support.json_fields import MANIFEST, fields
from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line, write_bytes
from sieve_registry.cli.support.output_files import check_outputs


class What(StrEnum):
    """The kind of table."""

    SIEVES = "sieves"
    CHECKS = "checks"


def export(
    context: typer.Context,
    out: Annotated[
        Path,
        typer.Argument(metavar="PATH", help="Folder or .zip: everything; .csv or .xlsx: a table."),
    ],
    *,
    what: Annotated[What, typer.Option("--what", help="Kind of table.")] = What.SIEVES,
    json_path: JsonOption = None,
) -> None:
    """Export the complete registry as JSON Lines with its evidence, or a table."""
    from sieve_registry.exchange import archive, sheets, tables

    is_table = out.suffix.lower() in (".csv", ".xlsx")
    check_outputs([("The table", out if is_table else None)], json_path)
    with opened(context) as registry:
        if not is_table:
            manifest = archive.export_all(registry, out)
            if not emit_json(json_path, {"file": str(out), **fields(manifest, *MANIFEST)}):
                print_line(f"Exported {manifest.events} events to {out}.")
                print_line(f"Ledger head: {manifest.head or '-'}")
            return
        rows = (tables.sieve_rows if what is What.SIEVES else tables.check_rows)(registry)
    xlsx = out.suffix.lower() == ".xlsx"
    write_bytes(out, sheets.xlsx_bytes(what.value, rows) if xlsx else sheets.csv_bytes(rows))
    if not emit_json(json_path, {"file": str(out), "rows": len(rows) - 1}):
        print_line(f"Exported {len(rows) - 1} {what.value} to {out}.")
