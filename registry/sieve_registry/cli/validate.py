"""`sieveward validate`: proves the measuring on this machine, and writes a report of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, print_table, write_bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from sieve_inspect.validate import Report

__all__ = ["validate"]


def validate(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the report; made if need be.")
    ],
    quick: Annotated[bool, typer.Option(help="Only a small part, under half a minute.")] = False,
    json: JsonOption = None,
) -> None:
    """Measure drawn cloth of known truth and report; exit code 1 when a row does not hold."""
    from sieve_inspect.validate import files_of, run_validation

    _prepare(out)
    with _progress() as told:
        report = run_validation(quick=quick, progress=told)
    for name, text in files_of(report).items():
        write_bytes(out / name, text.encode())
    if not emit_json(json, report.to_dict()):
        _print(report, out)
    if not report.ok:
        raise typer.Exit(1)


def _prepare(out: Path) -> None:
    """Make the folder and try it, so that minutes of work are not lost at their end."""
    from sieve_inspect.errors import UnwritableOutputError

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnwritableOutputError(file=out, reason=error.strerror or "no access") from error
    probe = out / ".validation-probe"
    write_bytes(probe, b"")
    probe.unlink(missing_ok=True)


def _progress() -> AbstractContextManager[Callable[[int, int, str], None]]:
    """A bar on the terminal's error stream; silent in a pipe."""
    from contextlib import contextmanager

    from rich.console import Console
    from rich.progress import Progress

    @contextmanager
    def bar() -> Iterator[Callable[[int, int, str], None]]:
        with Progress(console=Console(stderr=True), transient=True) as shown:
            task = shown.add_task("validating", total=None)
            yield lambda done, total, name: shown.update(
                task, completed=done, total=total, description=name
            )

    return bar()


def _print(report: Report, out: Path) -> None:
    from collections import Counter

    tried = Counter(row.group for row in report.rows)
    held = Counter(row.group for row in report.rows if row.holds)
    rows = [(group, str(count), str(held[group])) for group, count in tried.items()]
    print_table("Validation", ("rows", "tried", "hold"), rows, numeric=("tried", "hold"))
    for row in report.rows:
        if not row.holds:
            print_line(f"{row.group}, {row.name}: does not hold")
            _wrapped("limit ", row.limit)
            _wrapped("result", row.result)
    answer = "Every row holds" if report.ok else "Not every row holds"
    print_line(f"{answer} ({report.seconds:.0f} s). The report:")
    print_line(str(out / "validation.html"))


def _wrapped(head: str, text: str) -> None:
    import textwrap

    for line in textwrap.wrap(f"{head}  {text}", 76, subsequent_indent=" " * 8):
        print_line(f"  {line}")
