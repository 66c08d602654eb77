"""`sieveward validate`: self-test of the measuring on this machine, with a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import flag, option
from sieve_registry.cli.support.running import (
    ClusterOption,
    ResumeOption,
    WorkersOption,
    progress,
    resumable,
    runner_of,
)

if TYPE_CHECKING:
    from sieve_inspect.validation import Report, Row, RowTask
    from sieve_inspect.workers.runner import Runner


def validate(
    context: typer.Context,
    out: Annotated[Path | None, option("Folder for the report; created if missing.", "DIR")] = None,
    record: Annotated[
        bool, flag("--record", "Record version, computer, result and table in the registry.")
    ] = False,
    quick: Annotated[bool, typer.Option(help="A small part, under half a minute.")] = False,
    workers: WorkersOption = 1,
    cluster: ClusterOption = None,
    resume: ResumeOption = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json: options.Json = None,
) -> None:
    """Self-test on synthetic images, with a report; exit 1 when a row does not hold.

    --record keeps it in the registry: each check then shows whether its software
    was validated on its computer before. --quick is recorded as a quick
    validation.
    """
    from sieve_inspect.validation import cache_key, cached_row, files_of, run_validation, tasks_of

    run: Runner[RowTask, Row] = runner_of(workers, cluster, resume, cache_key, cached_row)
    if out is None and not record:
        raise UsageError(message="Folder missing: give --out DIR, or --record, or both.")
    if out is not None:
        _prepare(out)
    output.check_outputs([], json)
    if record:  # refused before minutes of work, not after them
        with options.opened(context):
            pass
    with resumable(resume), progress("Validating", len(tasks_of(quick))) as update:
        report = run_validation(quick=quick, progress=update, run=run)
    files = files_of(report)
    for name, text in files.items():
        if out is not None:
            output.write_bytes(out / name, text.encode())
    event = None
    if record:
        from sieve_registry.checks.validation import record_validation

        with options.opened(context) as registry:
            event = record_validation(registry, report, files, options.terms(None, by, why_late))
    recorded = {} if event is None else {"event": event.seq, "head": event.hash}
    if not output.emit(json, {**report.to_dict(), **recorded}):
        _print(report, out)
    if not report.ok:
        raise typer.Exit(1)


def _prepare(out: Path) -> None:
    """Create the folder and try writing, before minutes of work."""
    output.make_folder(out)
    probe = out / ".validation-probe"
    output.write_bytes(probe, b"")
    probe.unlink(missing_ok=True)


def _print(report: Report, out: Path | None) -> None:
    from collections import Counter

    tried = Counter(row.group for row in report.rows)
    held = Counter(row.group for row in report.rows if row.holds)
    rows = [(group, count, held[group]) for group, count in tried.items()]
    output.table("Validation", {"rows": "", "tried": ">", "hold": ">"}, rows)
    for row in report.rows:
        if not row.holds:
            output.line(f"{row.group}, {row.name}: does not hold")
            output.text(f"limit   {row.limit}", " " * 10, first="  ")
            output.text(f"result  {row.result}", " " * 10, first="  ")
    answer = "Every row holds" if report.ok else "Not every row holds"
    output.line(f"{answer} ({report.seconds:.0f} s).")
    if out is not None:
        output.line(f"The report: {out / 'validation.html'}")
