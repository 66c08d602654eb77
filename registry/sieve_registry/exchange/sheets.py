"""CSV and XLSX files as rows of text, and back, without a cell that a spreadsheet could run.

Cells read are data, whatever they begin with: `=1+1` is a text of four letters. What is written to
a CSV file gets an apostrophe before a letter that could begin a formula, and that apostrophe is
taken off again on reading; in an XLSX file such a cell is marked as text.

CSV goes through the standard library's reader, which knows the line each row begins on (cells may
hold line ends); XLSX goes through openpyxl. Both are bounded in bytes, rows, columns and cells.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from itertools import chain, islice
from pathlib import Path
from typing import TypeVar

from sieve_inspect.errors import BadTableError, UsageError
from sieve_inspect.files import read_file
from sieve_registry.errors import ArchiveError

# What begins a formula, also in full width (OWASP, "CSV Injection"), after quotes and spaces.
_FORMULA = "[\"' ]*[-=+@\\t\\r\uff1d\uff0b\uff0d\uff20]"
_BEGINS = re.compile(rf"(^|[;\t\r\n])(?={_FORMULA})")
_IN_CELLS = re.compile(f";{_FORMULA}")  # a search for one letter takes half the time
_GUARDED = re.compile(rf"(^|[;\t\r\n])'(?={_FORMULA})")
_XLSX = (".xlsx", ".xlsm")
_MOST_BYTES = 50_000_000  # of a table; a row has some hundred
_MOST_UNPACKED = 30_000_000  # bytes of the parts of an XLSX file, which take long to read
_MOST_ROWS = 500_000
_MOST_COLUMNS = 1_000
_MOST_CELLS = 20_000_000
_LONGEST_ROW = 1_000_000  # letters
_ROWS_AT_ONCE = 1_000  # encoded together: each alone takes longer than to write it
_NO_OPENPYXL = 'XLSX files need an extra part: pip install "sieveward[xlsx]", or save it as CSV.'

T = TypeVar("T")
Row = tuple[int, list[str]]  # the line in the file, and the cells


def csv_cell(text: str) -> str:
    """A cell in which no spreadsheet begins a formula, whatever separates its cells.

    An apostrophe precedes what could begin one at the start of the text, or after a semicolon, tab
    or line end within it: there a spreadsheet of another locale begins a cell.
    """
    return text if _BEGINS.search(text) is None else _BEGINS.sub(r"\1'", text)


def _guarded(cell: str | float | Decimal) -> str | float | Decimal:
    return csv_cell(cell) if isinstance(cell, str) else cell


def _is_plain(cells: str) -> bool:
    """Whether none of some cells, separated by semicolons, could begin a formula."""
    if any(mark in cells for mark in "\t\r\n"):
        return False  # each is looked at by itself
    return _IN_CELLS.search(f";{cells}") is None


def _guarded_row(row: Sequence[str | float | Decimal]) -> Sequence[str | float | Decimal]:
    try:
        if _is_plain(";".join(row)):  # type: ignore[arg-type]
            return row
    except TypeError:  # a number
        pass
    return [_guarded(cell) for cell in row]


def _lines(rows: Sequence[Sequence[str | float | Decimal]]) -> str:
    """Some rows as lines: rows of plain text are only joined, in half the time of the writer."""
    plain = False
    try:
        cells = ";".join(chain.from_iterable(rows))  # type: ignore[arg-type]
        plain = _is_plain(cells)
        quoted = any(mark in cells for mark in '",\r\n') or min(map(len, rows)) < 2
        if plain and not quoted:
            return "".join([f"{','.join(row)}\r\n" for row in rows])  # type: ignore[arg-type]
    except TypeError:  # a number
        pass
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows(rows if plain else map(_guarded_row, rows))
    return text.getvalue()


def csv_bytes(rows: Iterable[Sequence[str | float | Decimal]]) -> bytes:
    """A CSV file (RFC 4180, UTF-8 with a mark that lets spreadsheets read the letters).

    A number is written as it is, also a negative number: only text gets an apostrophe.
    """
    return b"".join(csv_pieces(rows))


def csv_pieces(rows: Iterable[Sequence[str | float | Decimal]]) -> Iterator[bytes]:
    """The same, a piece after the other: a table may be very long."""
    left = iter(rows)
    yield BOM_UTF8
    while part := list(islice(left, _ROWS_AT_ONCE)):
        yield _lines(part).encode("utf-8", "replace")


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


def _rows(path: Path, most_bytes: int = _MOST_BYTES, *, strict: bool = False) -> list[Row]:
    try:
        data = read_file(path, most_bytes)
        if path.suffix.lower() in _XLSX:
            return _xlsx_rows(data)
        return _csv_rows(_decoded(data), strict)
    except (OSError, csv.Error) as error:
        raise _UnreadableError(getattr(error, "strerror", None) or str(error)) from error


def _bounded(rows: Iterable[Row]) -> list[Row]:
    """The rows; raises `_UnreadableError` for a table too wide or too long to be one."""
    kept: list[Row] = []
    width = 0
    for line, cells in rows:
        width = max(width, len(cells))
        if width > _MOST_COLUMNS:
            raise _UnreadableError(f"line {line} has over {_MOST_COLUMNS} columns")
        kept.append((line, cells))
        if len(kept) > _MOST_ROWS or width * len(kept) > _MOST_CELLS:
            raise _UnreadableError(f"it has over {_MOST_ROWS:,} rows or {_MOST_CELLS:,} cells")
    return kept


def _decoded(data: bytes) -> str:
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _csv_rows(text: str, strict: bool) -> list[Row]:
    start = text[:_LONGEST_ROW]
    first = next((line for line in start.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    length = 0  # of the row so far; a row may go over several lines

    def lines() -> Iterator[str]:
        nonlocal length
        for line in io.StringIO(text, newline=""):
            length += len(line)
            if length > _LONGEST_ROW:
                raise _UnreadableError(f"a row has over {_LONGEST_ROW:,} letters")
            yield line

    def rows() -> Iterator[Row]:
        nonlocal length
        reader, line = csv.reader(lines(), delimiter=delimiter, strict=strict), 1
        for cells in reader:
            length = 0
            yield line, [_as_data(cell) for cell in cells]
            line = reader.line_num + 1

    return _bounded(rows())


def _as_data(cell: str) -> str:
    """The text that `csv_cell` made a cell of."""
    return _GUARDED.sub(r"\1", cell)


def _xlsx_rows(data: bytes) -> list[Row]:
    try:
        import openpyxl
    except ModuleNotFoundError:
        raise UsageError(message=_NO_OPENPYXL) from None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
        if unpacked > _MOST_UNPACKED:
            raise _UnreadableError(f"it unpacks to {unpacked / 1e6:.0f} MB: save it as CSV")
        # Read-only: row by row. A formula stays the text it is: its last result is not what was
        # written.
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # the size a file states would be filled with empty cells
        values = enumerate(sheet.iter_rows(values_only=True), start=1)
        return _bounded((line, _trimmed(cells)) for line, cells in values)
    except _UnreadableError:
        raise
    except Exception as error:  # the reader raises whatever its parsers raise
        reason = " ".join(str(error).split())[:80]
        raise _UnreadableError(f"it is not an XLSX table: {reason}") from error


def _trimmed(values: Sequence[object]) -> list[str]:
    """The cells of a row as text, without the empty cells at its end."""
    cells = [_cell_text(value) for value in values]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _cell_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
