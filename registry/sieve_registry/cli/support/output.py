"""Output of every command: JSON, tables, paragraphs and files."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from sieve_inspect.files import write_pieces

JsonOption = Annotated[
    str | None,
    typer.Option(
        "--json", metavar="PATH|-", help="Write JSON to a file, or - for standard output."
    ),
]


@dataclass(frozen=True)
class Context:
    """Options given before the command; kept in `typer.Context.obj`."""

    registry: str | None


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file completely or not at all, so that no incomplete result is left."""
    write_pieces(path, [data])


def emit_json(target: str | None, payload: Mapping[str, Any]) -> bool:
    """Write `payload` to the target of `--json`; true when that is standard output."""
    if target is None:
        return False
    text = json.dumps(payload, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
        return True
    write_bytes(Path(target), text.encode())
    return False


def print_line(text: str = "") -> None:
    """Print one line for a person; markup is not interpreted."""
    sys.stdout.write(text + "\n")


def print_text(text: str, later: str = "", *, first: str = "") -> None:
    """Print a paragraph within 80 columns; `first` and `later` begin its lines."""
    from textwrap import wrap

    for line in wrap(text, 78, initial_indent=first, subsequent_indent=later) or [""]:
        print_line(line)


def shortened(text: str, most: int = 14) -> str:
    """The text in at most `most` characters; an ellipsis marks a cut."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def print_table(
    title: str, columns: Sequence[str], rows: Sequence[Sequence[str]], numeric: Sequence[str] = ()
) -> None:
    """Print a table: drawn by rich on a terminal, tab-free plain columns in a pipe."""
    if sys.stdout.isatty():
        from rich import box
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        table = Table(title=title or None, box=box.SIMPLE_HEAD, title_justify="left")
        for name in columns:
            table.add_column(name, justify="right" if name in numeric else "left")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        Console().print(table)
        return
    widths = [max(len(r[i]) for r in [tuple(columns), *rows]) for i in range(len(columns))]
    if title:
        print_line(title)
    for row in [tuple(columns), *rows]:
        cells = (
            cell.rjust(width) if name in numeric else cell.ljust(width)
            for cell, width, name in zip(row, widths, columns, strict=True)
        )
        print_line("  ".join(cells).rstrip())
