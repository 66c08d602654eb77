"""CSV and XLSX files as rows of text, and back, without a cell that could run.

What is read is data, whatever it begins with: `=1+1` is a text of four letters. What is written to
a CSV file gets an apostrophe before a letter that could begin a formula, and that apostrophe is
taken off again on reading; in an XLSX file such a cell is marked as text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.errors import ArchiveError

__all__ = ["RISKY", "csv_bytes", "csv_cell", "read_rows", "xlsx_bytes"]

RISKY = ("=", "+", "-", "@", "\t", "\r")  # common practice, no source
_XLSX = (".xlsx", ".xlsm")
_MOST_ROWS = 1_000_000
_NO_OPENPYXL = "XLSX files need an extra part: pip install 'sieveward[xlsx]', or save it as CSV."


def csv_cell(text: str) -> str:
    """A cell no spreadsheet will run: what could begin a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(RISKY) else text


def csv_bytes(rows: Iterable[Sequence[str]]) -> bytes:
    """A CSV file (RFC 4180, UTF-8 with a mark that lets spreadsheets read the letters)."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    for row in rows:
        writer.writerow([csv_cell(cell) for cell in row])
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


def read_rows(path: Path) -> list[tuple[int, list[str]]]:
    """The rows of a table with their line in the file; all rows as long as the longest.

    Raises `ArchiveError` for a file that cannot be read.
    """
    try:
        if path.suffix.lower() in _XLSX:
            rows = _xlsx_rows(path)
        else:
            rows = _csv_rows(_decoded(path.read_bytes()))
    except (OSError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or error
        raise ArchiveError(file=path, reason=f"cannot be read ({reason})") from error
    width = max((len(cells) for _, cells in rows), default=0)
    return [(line, cells + [""] * (width - len(cells))) for line, cells in rows]


def _decoded(data: bytes) -> str:
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _csv_rows(text: str) -> list[tuple[int, list[str]]]:
    first = text.splitlines()[0] if text else ""
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows, line = [], 1
    for cells in reader:
        rows.append((line, [_as_data(cell) for cell in cells]))
        line = reader.line_num + 1
    return rows


def _as_data(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(RISKY) else cell


def _xlsx_rows(path: Path) -> list[tuple[int, list[str]]]:
    try:
        from openpyxl import load_workbook
    except ModuleNotFoundError:
        raise UsageError(message=_NO_OPENPYXL) from None
    try:
        # Formulas stay the text they are: what they once came to is not what was written.
        book = load_workbook(path, read_only=True, data_only=False)
        sheet = book.worksheets[0]
        rows = [
            (line, [_text(value) for value in row])
            for line, row in enumerate(sheet.iter_rows(values_only=True), start=1)
            if line <= _MOST_ROWS
        ]
        book.close()
    except Exception as error:  # the reader raises whatever its parsers raise
        raise ArchiveError(file=path, reason=f"is no table we can read ({error})") from error
    return rows


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
