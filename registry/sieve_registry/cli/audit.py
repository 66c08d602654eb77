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
    "overdue": ("sieve", "nominal", "last check", "outcome", "check due"),
    "never_checked": ("sieve", "nominal", "check due", "location"),
    "checks": ("check", "sieve", "date", "outcome", "by", "recorded later"),
    "no_scale": ("check", "sieve", "date", "why"),
    "conditional": ("sieve", "check", "date", "outcome"),
    "quarantines": ("sieve", "date", "reason", "by"),
    "retirements": ("sieve", "date", "reason", "by"),
    "lookbacks": ("sieve", "because", "uses before", "uses after", "decided"),
    "uses": ("sieve", "date", "uses", "by", "recorded later"),
    "changes": ("sieve", "date", "change", "by", "recorded later"),
    "corrections": ("event", "event corrected", "was", "should read", "reason"),
    "evidence": ("sha256", "bytes", "recorded by event"),
    "findings": ("source", "subject", "finding"),
}
_MOST_LINES = 40


def audit(
    context: typer.Context,
    as_of: Annotated[
        str, typer.Option("--as-of", metavar="YYYY-MM-DD", help="The day to answer for.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Also write a page and CSV files.")
    ] = None,
    known_then: Annotated[
        bool, typer.Option("--known-then", help="Leave out all that was recorded after that day.")
    ] = False,
    json_path: JsonOption = None,
) -> None:
    """Show every sieve, check and use as of a past day, and what was recorded only later."""
    from sieve_registry import audit as audits

    day = read_day(as_of)
    assert day is not None
    with opened(context) as registry:
        found = audits.audit(registry, day, known_then=known_then)
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
    for remark in found.remarks[:_MOST_LINES]:
        print_line(f"Note: {remark}")
    if len(found.remarks) > _MOST_LINES:
        print_line(f"And {len(found.remarks) - _MOST_LINES} more to note.")
    proven = {"all": "everything is", "chain and evidence": "chain and evidence are"}
    said = f"{proven[found.proven]} as recorded" if found.verification.ok else "NOT as recorded"
    print_line(f"Verified: {said}.")
    print_line(
        f"Ledger at the end of {found.as_of}: {found.events_then} events, "
        f"head {found.head_then or '-'}"
    )
    print_line(f"Ledger today: {found.events} events, head {found.head or '-'}")


def print_audit_table(found: Audit, table: AuditTable) -> None:
    """One table of an audit, with the columns a terminal has room for."""
    columns = _ON_TERMINAL[table.name]
    places = [table.columns.index(name) for name in columns]
    rows = [[row[place] for place in places] for row in table.rows]
    numeric = ("nominal", "uses", "bytes")
    print_table(f"{table.title} as of {found.as_of}", columns, rows[:_MOST_LINES], numeric)
    if len(rows) > _MOST_LINES:
        print_line(f"… and {len(rows) - _MOST_LINES} more: --out writes them all.")
