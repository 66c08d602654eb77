"""`sieveward audit`: what was true on one past day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, print_table, write_bytes
from sieve_registry.cli.options import opened, read_day

if TYPE_CHECKING:
    from sieve_registry.audit import Audit, AuditTable

__all__ = ["audit", "print_audit_table"]

# A terminal has room for these; the files of --out hold every column.
_ON_TERMINAL = {
    "sieves": ("sieve", "nominal", "status", "last check", "outcome", "check due", "overdue"),
    "checks": ("check", "sieve", "date", "outcome", "by", "recorded later"),
    "uses": ("sieve", "date", "uses", "by", "recorded later"),
    "changes": ("sieve", "date", "change", "by", "recorded later"),
}


def audit(
    context: typer.Context,
    as_of: Annotated[
        str, typer.Option("--as-of", metavar="YYYY-MM-DD", help="The day to answer for.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Also write a page and CSV files.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Show every sieve, check and use as of a past day, and what was recorded only later."""
    from sieve_registry import audit as audits

    day = read_day(as_of)
    assert day is not None
    with opened(context) as registry:
        found = audits.audit(registry, day)
    if out is not None:
        _write(out, audits.render(found))
    if emit_json(json_path, found.to_dict()):
        return
    _print_audit(found)
    if out is not None:
        print_line(f"Written to {out / 'index.html'}")


def _write(out: Path, files: dict[str, bytes]) -> None:
    from sieve_inspect.errors import UnwritableOutputError

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnwritableOutputError(file=out, reason=error.strerror or "no access") from error
    for name, data in files.items():
        write_bytes(out / name, data)


def _print_audit(found: Audit) -> None:
    for table in found.tables:
        if not table.rows:
            print_line(f"{table.title} as of {found.as_of}: none")
        else:
            print_audit_table(found, table)
        print_line()
    for remark in found.remarks:
        print_line(f"Note: {remark}")
    print_line(f"Ledger today: {found.events} events, head {found.head or '-'}")


def print_audit_table(found: Audit, table: AuditTable) -> None:
    """One table of an audit, with the columns a terminal has room for."""
    columns = _ON_TERMINAL[table.name]
    places = [table.columns.index(name) for name in columns]
    rows = [[row[place] for place in places] for row in table.rows]
    print_table(f"{table.title} as of {found.as_of}", columns, rows, ("nominal", "uses"))
