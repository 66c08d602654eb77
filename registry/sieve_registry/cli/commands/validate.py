"""`sieveward validate`: self-test of the measuring on this machine, with a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
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
    out: Annotated[Path, option("Folder for the report; created if missing.", "DIR")],
    quick: Annotated[bool, typer.Option(help="A small part, under half a minute.")] = False,
    workers: WorkersOption = 1,
    cluster: ClusterOption = None,
    resume: ResumeOption = None,
    json: options.Json = None,
) -> None:
    """Self-test on synthetic images, with a report; exit 1 when a row does not hold."""
    from sieve_inspect.validation import cache_key, cached_row, files_of, run_validation, tasks_of

    run: Runner[RowTask, Row] = runner_of(workers, cluster, resume, cache_key, cached_row)
    _prepare(out)
    output.check_outputs([], json)
    with resumable(resume), progress("Validating", len(tasks_of(quick))) as update:
        report = run_validation(quick=quick, progress=update, run=run)
    for name, text in files_of(report).items():
        output.write_bytes(out / name, text.encode())
    if not output.emit(json, report.to_dict()):
        _print(report, out)
    if not report.ok:
        raise typer.Exit(1)


def _prepare(out: Path) -> None:
    """Create the folder and try writing, before minutes of work."""
    output.make_folder(out)
    probe = out / ".validation-probe"
    output.write_bytes(probe, b"")
    probe.unlink(missing_ok=True)


def _print(report: Report, out: Path) -> None:
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
    output.line(f"{answer} ({report.seconds:.0f} s). The report:")
    output.line(str(out / "validation.html"))
