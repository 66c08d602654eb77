"""`sieveward import`: an export, or a laboratory's own table of sieves or past checks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.commands.export import What
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option

if TYPE_CHECKING:
    from sieve_registry.exchange.tables import Imported
    from sieve_registry.sieves.recording import RecordTerms


def import_(
    context: typer.Context,
    source: Annotated[Path, argument("A .csv or .xlsx table; or an export.", "PATH")],
    *,
    what: Annotated[What, option("Kind of rows.")] = What.SIEVES,
    mapping: Annotated[
        Path | None, option("Names of your columns (TOML).", "FILE", name="--map")
    ] = None,
    dry_run: Annotated[
        bool, flag("--dry-run", "Import nothing; list every row with errors.")
    ] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Import a table of sieves or past checks, all rows or none; or an export.

    Columns of sieves: id, nominal; optional: standard, grade, serial,
    location, maker, frame, in_service, interval_months, interval_uses,
    type, height, cloth, certificate, warp, label.

    Columns of past checks: sieve, date, outcome, mean_x, mean_y; optional:
    sd_x, sd_y, max_x, max_y, count, by, note.

    A mapping file gives your names of columns, your format of dates, and your words for outcomes:

    \b
    \\[columns]
    id = "Sieve no."
    nominal = "Mesh"
    \\[dates]
    format = "%d.%m.%Y"
    \\[words]
    "OK" = "pass"
    """
    output.check_outputs([], json_path, [("the table", source), ("the mapping", mapping)])
    if source.suffix.lower() in (".csv", ".tsv", ".txt", ".xlsx", ".xlsm"):
        _table(
            context, source, what, mapping, dry_run, options.terms(None, by, why_late), json_path
        )
        return
    from sieve_registry.exchange import archive

    archive.read_manifest(source)
    with options.opened(context, create=True) as registry:
        manifest = archive.import_all(registry, source)
        where = registry.where
    if not output.emit(json_path, {"registry": where, **output.fields(manifest, *output.MANIFEST)}):
        output.line(
            f"Imported {manifest.events} events, {manifest.evidence} evidence files into {where}."
        )
        output.line(f"Ledger head: {manifest.head or '-'}")


def _table(
    context: typer.Context,
    source: Path,
    what: What,
    mapping: Path | None,
    dry_run: bool,
    terms: RecordTerms,
    json_path: str | None,
) -> None:
    from sieve_registry.errors import BadRowsError
    from sieve_registry.exchange import tables

    mapped = tables.read_mapping(mapping)
    with options.opened(context, create=what is What.SIEVES and not dry_run) as registry:
        done = tables.import_table(registry, source, what.value, mapped, terms, dry_run=dry_run)
    payload = {
        "file": str(source),
        "what": done.what,
        "rows": done.rows,
        "recorded": done.recorded,
        "bad_rows": [output.fields(row, "line", "reason") for row in done.bad],
    }
    if not output.emit(json_path, payload):
        _print_done(done, source)
    if done.bad:
        first = done.bad[0]
        raise BadRowsError(file=source, count=len(done.bad), line=first.line, reason=first.reason)


def _print_done(done: Imported, source: Path) -> None:
    for row in done.bad:
        output.text(f"line {row.line}: {row.reason}", "  ")
    if done.recorded:
        output.line(f"Imported {done.rows} {done.what} from {source}.")
    elif not done.bad:
        output.line(f"{done.rows} {done.what} can be imported. Nothing was imported: --dry-run.")
