"""`sieveward audit`: the state of the registry on a past day."""

from __future__ import annotations

import os
import secrets
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_inspect.files import write_pieces
from sieve_registry.cli.support import options, output, running
from sieve_registry.cli.support.options import flag, option

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from sieve_registry.audit.queries import Audit, AuditTable
    from sieve_registry.report.audit_page import Links
    from sieve_registry.store.engine import Registry

# The columns a terminal has room for; the files of --out have all.
_ON_TERMINAL = {
    "sieves": ("sieve", "nominal", "status", "last check", "outcome", "check due", "overdue"),
    "overdue": ("sieve", "nominal", "last check", "outcome", "check due"),
    "never_checked": ("sieve", "nominal", "check due", "location"),
    "checks": ("check", "sieve", "date", "outcome", "by", "recorded later"),
    "no_scale": ("check", "sieve", "date", "recorded later"),
    "conditional": ("sieve", "check", "date", "outcome"),
    "quarantines": ("sieve", "date", "reason", "by"),
    "retirements": ("sieve", "date", "reason", "by"),
    "lookbacks": ("sieve", "because", "uses before", "uses after", "decided"),
    "uses": ("sieve", "date", "uses", "by", "recorded later"),
    "changes": ("sieve", "date", "change", "by", "recorded later"),
    "corrections": ("event", "event corrected", "was", "should read", "reason"),
    "people": ("person", "name", "role", "authorised that day"),
    "authorisations": ("person", "act", "from", "to", "basis", "withdrawn"),
    "unauthorised": ("event", "what", "subject", "by", "why not authorised"),
    "certificates": ("sieve", "date", "number", "laboratory", "outcome", "E_n"),
    "equipment": ("equipment", "kind", "state", "place", "next due", "overdue"),
    "equipment_events": ("equipment", "date", "what", "outcome", "note"),
    "equipment_use": ("equipment", "date", "used for", "in question"),
    "environment": ("check", "sieve", "date", "temperature and humidity"),
    "reports": ("report", "check", "issued", "customer", "state"),
    "work_findings": ("finding", "clause", "about", "text", "state"),
    "open_points": ("event", "clause", "about", "text"),
    "evidence": ("check", "is its", "name", "bytes"),
    "retention": ("check", "date", "files", "keep until", "may be destroyed"),
    "clauses": ("clause", "subject", "records", "newest", "open findings"),
    "findings": ("source", "subject", "finding"),
}
_NUMBERS = ("nominal", "uses", "bytes", "files", "records")
_MOST_LINES = 40


def audit(
    context: typer.Context,
    as_of: Annotated[str, option("The day of the audit.", "YYYY-MM-DD")],
    out: Annotated[Path | None, option("Write a page and CSV files too.", "DIR")] = None,
    with_files: Annotated[
        bool, flag("--with-files", "With --out: include all reports and evidence files.")
    ] = False,
    known_then: Annotated[
        bool, flag("--known-then", "Leave out records made after that day.")
    ] = False,
    sample: Annotated[
        int | None, option("With --out: N checks at random with their whole chain.", "N")
    ] = None,
    seed: Annotated[int | None, option("Choose that sample again.", "S")] = None,
    json_path: options.Json = None,
) -> None:
    """Show every sieve, check and use as of a past day; later records are marked.

    --out writes a page by clause of ISO/IEC 17025 too.
    """
    from sieve_registry.audit import queries as audits
    from sieve_registry.report import audit_page
    from sieve_registry.report.audit_files import AuditFiles

    day = options.read_day(as_of)
    assert day is not None
    _check_options(out, with_files, sample, seed)
    chosen = seed if seed is not None else secrets.randbelow(1_000_000)
    with options.opened(context) as registry:
        with running.busy("Gathering the audit"):
            result = audits.audit(registry, day, known_then=known_then)
        lost = 0
        if out is not None and with_files:
            files = AuditFiles(registry, result)
            with running.progress("Reports and evidence", 1) as update:
                for name, data in files.written(partial(update, 0)):
                    _write(out, name, [data])
            lost = files.lost
        elif out is not None:
            for name, pieces in audit_page.render(result, _in_place(registry, out)):
                _write(out, name, pieces)
        if out is not None and sample is not None:
            _write_sample(registry, out / "sample", day, sample, chosen)
    if json_path is not None:  # very many rows are made only where they are wanted
        seeded = {} if sample is None else {"sample_seed": chosen}
        if output.emit(json_path, result.to_dict() | seeded):
            return
    _print_audit(result)
    if out is not None:
        output.line(f"Written to {out / 'index.html'}")
        if sample is not None:
            output.line(f"The sample, seed {chosen}: {out / 'sample' / 'index.html'}")
    if lost:
        output.line(f"{lost} missing or changed files were left out: see the findings.")


def _check_options(
    out: Path | None, with_files: bool, sample: int | None, seed: int | None
) -> None:
    if with_files and out is None:
        raise UsageError(message="Folder missing: with --with-files give --out too.")
    if seed is not None and sample is None:
        raise UsageError(message="--seed chooses a sample: give --sample N too.")
    if sample is not None and out is None:
        raise UsageError(message="Folder missing: with --sample give --out too.")


def _write_sample(registry: Registry, folder: Path, day: date, count: int, seed: int) -> None:
    from sieve_registry.report.sample_page import sample_files
    from sieve_registry.settings import letterhead

    with running.busy("Writing the sample"):
        for name, data in sample_files(registry, day, count, seed, letterhead()):
            _write(folder, name, [data])


def _in_place(registry: Registry, out: Path) -> Links:
    """Links to the evidence in its place, valid on this computer."""
    from sieve_registry.report.audit_page import Links

    folder = getattr(registry.evidence, "folder", None)
    if folder is None:
        return Links()
    try:
        return Links(evidence=Path(os.path.relpath(folder, out)).as_posix())
    except ValueError:  # on another drive
        return Links()


def _write(out: Path, name: str, pieces: Iterable[bytes]) -> None:
    target = out / name
    output.make_folder(target.parent)
    write_pieces(target, pieces)


def _print_audit(audit: Audit) -> None:
    for table in audit.tables:
        if not table.rows:
            output.line(f"{table.title} as of {audit.as_of}: none")
        else:
            print_audit_table(audit, table)
        output.line()
    for remark in audit.remarks[:_MOST_LINES]:
        output.text(f"Note: {remark}", "  ")
    if len(audit.remarks) > _MOST_LINES:
        output.line(f"And {len(audit.remarks) - _MOST_LINES} more notes.")
    proven = {"all": "everything is", "chain and evidence": "chain and evidence are"}
    result = f"{proven[audit.proven]} as recorded" if audit.verification.ok else "NOT as recorded"
    output.line(f"Verified: {result}.")
    output.text(
        f"Ledger at the end of {audit.as_of}: {audit.events_then} events, "
        f"head {audit.head_then or '-'}"
    )
    output.text(f"Ledger today: {audit.events} events, head {audit.head or '-'}")


def print_audit_table(audit: Audit, table: AuditTable) -> None:
    """One table of an audit, with the columns a terminal has room for."""
    columns = _ON_TERMINAL[table.name]
    places = [table.columns.index(name) for name in columns]
    rows = [[row[place] for place in places] for row in table.rows[:_MOST_LINES]]
    shown = {name: ">" if name in _NUMBERS else "" for name in columns}
    output.table(f"{table.title} as of {audit.as_of}", shown, rows)
    if len(table.rows) > _MOST_LINES:
        output.line(f"… and {len(table.rows) - _MOST_LINES} more: --out writes them all.")
    if table.name == "no_scale":
        why = table.columns.index("why")
        for row in table.rows[:_MOST_LINES]:
            output.text(f"Check {row[0]}: {row[why]}.", "  ")
    if table.name == "sieves":  # no room for a column
        for row in [row for row in table.rows if row[-1]][:_MOST_LINES]:
            output.text(f"Recorded later of {row[0]}: {row[-1]}.")
