"""CSV and XLSX files as rows of text, and back, without a cell that a spreadsheet could run.

Cells read are data, whatever they begin with: `=1+1` is a text of four letters. What is written to
a CSV file gets an apostrophe before a letter that could begin a formula, and that apostrophe is
taken off again on reading; in an XLSX file such a cell is marked as text.

CSV goes through the standard library's reader, which knows the line each row begins on (cells may
hold line ends); XLSX goes through pandas.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

from sieve_inspect.errors import BadTableError, UsageError
from sieve_registry.errors import ArchiveError

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # common practice, no source
_XLSX = (".xlsx", ".xlsm")
_MOST_ROWS = 1_000_000
_NO_OPENPYXL = "XLSX files need an extra part: pip install 'sieveward[xlsx]', or save it as CSV."

T = TypeVar("T")
Row = tuple[int, list[str]]  # the line in the file, and the cells


def csv_cell(text: str) -> str:
    """A cell that no spreadsheet runs: an apostrophe precedes what could begin a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def csv_bytes(rows: Iterable[Sequence[str | float | Decimal]]) -> bytes:
    """A CSV file (RFC 4180, UTF-8 with a mark that lets spreadsheets read the letters).

    A number is written as it is, also a negative number: only text gets an apostrophe.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    for row in rows:
        writer.writerow([csv_cell(cell) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue().encode("utf-8-sig", "replace")


def xlsx_bytes(title: str, rows: Iterable[Sequence[str]]) -> bytes:
    """An XLSX file of one sheet in which every cell is a text. Raises `UsageError`."""
    try:
        from openpyxl import Workbook
        from openpyxl.cell import WriteOnlyCell
    except ModuleNotFoundError:
        raise UsageError(message=_NO_OPENPYXL) from None
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    for row in rows:
        cells = []
        for text in row:
            cell = WriteOnlyCell(sheet, text)
            cell.data_type = "s"  # never a formula
            cells.append(cell)
        sheet.append(cells)
    data = io.BytesIO()
    book.save(data)
    return data.getvalue()


def read_rows(path: Path) -> list[Row]:
    """The rows of a table with their line in the file; all rows as long as the longest.

    Raises `ArchiveError` for a file that cannot be read.
    """
    try:
        rows = _rows(path)
    except _UnreadableError as error:
        raise ArchiveError(file=path, reason=f"cannot be read ({error})") from error
    width = max((len(cells) for _, cells in rows), default=0)
    return [(line, cells + [""] * (width - len(cells))) for line, cells in rows]


def read_columns(
    path: Path,
    headers: Sequence[tuple[str, ...]],
    parse: Callable[[dict[str, str], list[T]], T],
    *,
    most_bytes: int,
) -> list[T]:
    """The rows of a table with one of `headers`, each as `parse` reads it.

    `parse` takes a row's cells by column and the rows already read, and raises `ValueError` for a
    row that cannot be used. Blank lines are skipped. Raises `BadTableError` with the line.
    """
    try:
        rows = _rows(path, most_bytes, strict=True)
    except _UnreadableError as error:
        raise BadTableError(file=path, reason=str(error)) from error
    header: tuple[str, ...] = ()
    parsed: list[T] = []
    for line, cells in rows:
        named = tuple(cell.strip() for cell in cells)
        if not any(named):
            continue
        try:
            if header:
                if len(named) != len(header):
                    raise ValueError(f"it has {len(named)} cells, the header has {len(header)}")
                parsed.append(parse(dict(zip(header, named, strict=True)), parsed))
            elif named in headers:
                header = named
            else:
                wanted = " or ".join(",".join(names) for names in headers)
                raise ValueError(f"the header has to be {wanted}")
        except ValueError as error:
            raise BadTableError(file=path, reason=f"line {line}: {error}") from error
    return parsed


def read_number(name: str, text: str) -> float:
    """A number, also with a decimal comma; NaN and infinity pass. Raises `ValueError`."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{name} {text[:20]!r} is not a number") from None


class _UnreadableError(Exception):
    """A file that is not a table; the message is the reason."""


def _rows(path: Path, most_bytes: int | None = None, *, strict: bool = False) -> list[Row]:
    try:
        with path.open("rb") as stream:
            data = stream.read() if most_bytes is None else stream.read(most_bytes + 1)
        if most_bytes is not None and len(data) > most_bytes:
            raise _UnreadableError(f"it is over {most_bytes / 1e6:g} MB")
        if path.suffix.lower() in _XLSX:
            return _xlsx_rows(data)
        return _csv_rows(_decoded(data), strict)
    except (OSError, csv.Error) as error:
        raise _UnreadableError(getattr(error, "strerror", None) or str(error)) from error


def _decoded(data: bytes) -> str:
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _csv_rows(text: str, strict: bool) -> list[Row]:
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    rows, line = [], 1
    for cells in reader:
        rows.append((line, [_as_data(cell) for cell in cells]))
        line = reader.line_num + 1
    return rows


def _as_data(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA_STARTS) else cell


def _xlsx_rows(data: bytes) -> list[Row]:
    import pandas as pd

    try:
        table = pd.read_excel(
            io.BytesIO(data),
            header=None,
            dtype=object,
            na_filter=False,
            nrows=_MOST_ROWS,
            engine="openpyxl",
            # A formula stays the text it is: its last result is not what was written.
            engine_kwargs={"data_only": False},
        )
    except ImportError:
        raise UsageError(message=_NO_OPENPYXL) from None
    except Exception as error:  # the reader raises whatever its parsers raise
        raise _UnreadableError(f"it is not an XLSX table: {error}") from error
    rows = enumerate(table.itertuples(index=False), start=1)
    return [(line, [_cell_text(value) for value in row]) for line, row in rows]


def _cell_text(value: object) -> str:
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
