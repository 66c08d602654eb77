"""Output of every command: JSON, tables, paragraphs, and files that are checked beforehand."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from itertools import combinations
from pathlib import Path
from textwrap import wrap
from typing import Any

from sieve_inspect.errors import UnwritableOutputError, UsageError
from sieve_inspect.files import check_writable, write_pieces

# The kind of file these options write, which its name must show.
_KINDS = {
    "--map": (".svg",),
    "--plot": (".svg",),
    "--overlay": (".png",),
    "--residuals": (".png",),
    "--html": (".html", ".htm"),
}
Named = tuple[str, Path | None]  # its name for a person; None where not wanted


def make_folder(folder: Path) -> None:
    """Create a folder where it is missing. Raises `UnwritableOutputError`."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnwritableOutputError(file=folder, reason=error.strerror or "no access") from error


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file completely or not at all, so that no incomplete result is left."""
    write_pieces(path, [data])


def emit(target: str | None, payload: Mapping[str, Any]) -> bool:
    """Write `payload` to the target of `--json`; true when that is standard output."""
    if target is None:
        return False
    text = json.dumps(payload, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
        return True
    write_bytes(Path(target), text.encode())
    return False


def line(text: str = "") -> None:
    """Print one line for a person; markup is not interpreted."""
    sys.stdout.write(text + "\n")


def text(text: str, later: str = "", *, first: str = "") -> None:
    """Print a paragraph within 80 columns; `first` and `later` begin its lines."""
    if len(first) + len(text) <= 78 and text.isprintable() and text == text.strip(" ") != "":
        line(first + text)  # very many are short
        return
    rows = wrap(text, 78, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)
    for row in rows or [""]:
        line(row)


def listed(items: Iterable[str]) -> None:
    """Print reasons or remarks as a list, a paragraph each."""
    for item in items:
        text(item, "    ", first="  - ")


def shortened(text: str, most: int = 14) -> str:
    """The text in at most `most` characters; an ellipsis marks a cut."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def table(title: str, columns: Mapping[str, str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table: drawn by rich on a terminal, tab-free plain columns in a pipe.

    `columns` gives each heading the format of its cells (">.2f"); a column whose format begins
    with ">" is aligned at the right. None is printed as a dash.
    """
    cells = [
        [name, *_cells(values, form.removeprefix(">"))]
        for (name, *values), form in zip(
            zip(columns, *rows, strict=True), columns.values(), strict=True
        )
    ]
    if sys.stdout.isatty():
        from rich import box
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        table = Table(title=title or None, box=box.SIMPLE_HEAD, title_justify="left")
        for name, form in columns.items():
            table.add_column(name, justify="right" if form else "left")
        for row in list(zip(*cells, strict=True))[1:]:
            table.add_row(*(Text(cell) for cell in row))
        Console().print(table)
        return
    if title:
        line(title)
    aligned = map(_aligned, cells, columns.values())
    lines = map("  ".join, zip(*aligned, strict=True))
    sys.stdout.write("".join([f"{text.rstrip()}\n" for text in lines]))


def _cells(values: Iterable[object], form: str) -> list[str]:
    if form:
        return ["-" if value is None else format(value, form) for value in values]
    return ["-" if value is None else str(value) for value in values]


def _aligned(column: Sequence[str], form: str) -> list[str]:
    """The cells of a column, all as wide as the widest."""
    width = max(map(len, column))
    return [text.rjust(width) if form else text.ljust(width) for text in column]


def fields(record: object, names: str) -> dict[str, Any]:
    """Fields of a record for JSON: exact figures as numbers, days as 2026-01-12, tuples as lists.

    `names` are separated by spaces; `key=path` names a field of a part (`check=last_check.id`),
    which is None where the part is None.
    """
    pairs = (name.rpartition("=")[::2] for name in names.split())
    return {key or path: _plain(_at(record, path)) for key, path in pairs}


def _at(record: object, path: str) -> object:
    for name in path.split("."):
        record = None if record is None else getattr(record, name)
    return record


def _plain(value: object) -> object:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, date):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value


def check_outputs(outputs: Iterable[Named], json: str | None, inputs: Iterable[Named] = ()) -> None:
    """Refuse outputs that replace an input or each other, have the wrong kind, or are unwritable.

    `json` is the value of `--json`. Links to one file count as that file. Raises
    `UsageError`, `UnwritableOutputError`.
    """
    outputs_and_json = [*outputs, ("--json", None if json in (None, "-") else Path(str(json)))]
    wanted = [(what, path) for what, path in outputs_and_json if path is not None]
    for what, path in wanted:
        for source, given in inputs:
            if given is not None and _same(path, given):
                raise UsageError(
                    message=f"{what} {path} would overwrite {source} {given}: name another file."
                )
    for (first, path), (second, other) in combinations(wanted, 2):
        if _same(path, other):
            raise UsageError(
                message=f"{first} and {second} would both be written to {path}: name two files."
            )
    for what, path in wanted:
        check_writable(path)
        kinds = _KINDS.get(what)
        if kinds is not None and path.suffix.lower() not in kinds:
            raise UsageError(
                message=f"{what} writes {kinds[0][1:].upper()}: end '{path.name}' with {kinds[0]}."
            )


def existing_file(text: str | None) -> Path | None:
    """The file a typed name means, None where there is no such file."""
    return Path(text) if text is not None and Path(text).is_file() else None


def _same(path: Path, other: Path) -> bool:
    try:
        if path.samefile(other):
            return True
    except OSError:  # one of them does not exist yet
        pass
    return _real(path) == _real(other)


def _real(path: Path) -> str:
    return os.path.normcase(os.path.realpath(path))
