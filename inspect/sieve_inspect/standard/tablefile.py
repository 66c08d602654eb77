"""Limits tables as CSV files: the built-in editions and a laboratory's own, by the same rules.

Columns, lengths in um: `nominal_um`, `y_um` and one of `x_um` or `max_um` are required;
`designation`, `z_um` with `z_share_percent`, `s_compliance_um`, `s_inspection_um`,
`s_calibration_um`, `n_compliance`, `n_inspection`, `n_calibration`, `wire_um`, `wire_min_um`,
`wire_max_um`, `trust` and `source` may follow. A blank cell means the table has no such limit.
A table with `s_compliance_um` alone has one limit on s for every grade.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

from sieve_inspect.errors import BadTableError
from sieve_inspect.files import open_regular
from sieve_inspect.standard.formula import GRADES
from sieve_inspect.standard.model import Row
from sieve_inspect.units import format_length

SMALLEST_UM, LARGEST_UM = Decimal(20), Decimal(125_000)  # the range of ISO 3310-1 and ASTM E11

_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{1,9})?")
_COUNT = re.compile(r"[0-9]{1,9}")
_TEXT = ("designation", "trust", "source")
_COUNTS = tuple(f"n_{grade}" for grade in GRADES)
_SIGMAS = tuple(f"s_{grade}_um" for grade in GRADES)
_LENGTHS = ("nominal_um", "y_um", "x_um", "max_um", "z_um", "wire_um", "wire_min_um", "wire_max_um")
_KNOWN = (*_LENGTHS, "z_share_percent", *_SIGMAS, *_COUNTS, *_TEXT)
_MOST_BYTES = 4_000_000


class _LineError(ValueError):
    """What is wrong with a line, without its number."""


def read_table(path: Path) -> dict[Decimal, Row]:
    """Read a laboratory's own table. Raises `BadTableError` with the line and the reason."""
    try:
        if path.is_dir():
            raise BadTableError(file=path, reason="it is a folder, not a CSV file")
        if not path.exists():
            raise BadTableError(file=path, reason="file not found")
        with open_regular(path) as stream:
            data = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise BadTableError(file=path, reason=error.strerror or "no access") from error
    return parse_table(data, str(path))


def parse_table(data: bytes, name: str) -> dict[Decimal, Row]:
    """The rows of a table by nominal aperture in um, ascending; `name` is for the messages.

    Raises `BadTableError` with the line's number and the reason.
    """
    if not data.strip():
        raise BadTableError(file=name, reason="it is empty")
    if len(data) > _MOST_BYTES:
        raise BadTableError(file=name, reason="it is over 4 MB, too large for a limits table")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise BadTableError(
            file=name, reason=f"line {line}: it is not UTF-8 text; save it as CSV UTF-8"
        ) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: dict[Decimal, Row] = {}
    header: list[str] = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if not header:
                header = _header(cells)
                continue
            row = _row(header, cells)
            if row.nominal in rows:
                raise _LineError(f"the nominal {row.nominal} um is in the table twice")
            rows[row.nominal] = row
    except (_LineError, csv.Error) as error:
        line = max(reader.line_num, 1)
        raise BadTableError(file=name, reason=f"line {line}: {error}") from error
    if not rows:
        raise BadTableError(file=name, reason="it has a header but no rows")
    return dict(sorted(rows.items()))


def _header(cells: list[str]) -> list[str]:
    names = [cell.strip() for cell in cells]
    for name in names:
        if name not in _KNOWN:
            raise _LineError(
                f"the column {_shown(name)} is unknown; the columns, separated by commas, are "
                + " ".join(_KNOWN)
            )
        if names.count(name) > 1:
            raise _LineError(f"the column {name} is there twice")
    missing = [name for name in ("nominal_um", "y_um") if name not in names]
    if "x_um" not in names and "max_um" not in names:
        missing.append("x_um (or max_um)")
    if missing:
        raise _LineError(f"the column {', '.join(missing)} is missing")
    if "z_um" in names and "z_share_percent" not in names:
        raise _LineError("the column z_um needs z_share_percent beside it")
    return names


def _row(header: list[str], values: list[str]) -> Row:
    if len(values) != len(header):
        raise _LineError(f"it has {len(values)} cells where the header has {len(header)}")
    cells = {name: value.strip() for name, value in zip(header, values, strict=True)}
    nominal, y = _needed(cells, "nominal_um"), _needed(cells, "y_um")
    if not SMALLEST_UM <= nominal <= LARGEST_UM:
        raise _LineError(f"nominal_um = {nominal} lies outside 20 to 125000; is it in um?")
    row = Row(
        nominal=nominal,
        designation=_text(cells, "designation") or format_length(float(nominal)),
        y=y,
        x=_x(cells, nominal),
        z=_number(cells, "z_um"),
        z_share_percent=_number(cells, "z_share_percent"),
        s=_sigmas(cells),
        n={grade: n for grade in GRADES if (n := _count(cells, f"n_{grade}")) is not None},
        wire=_number(cells, "wire_um"),
        wire_min=_number(cells, "wire_min_um"),
        wire_max=_number(cells, "wire_max_um"),
        source=_source(cells),
    )
    _check(row)
    return row


def _check(row: Row) -> None:
    if row.y > row.x:
        raise _LineError(f"y_um = {row.y} is over x_um = {row.x}: a mean beyond every aperture")
    if row.y >= row.nominal:
        raise _LineError(f"y_um = {row.y} is as large as the nominal itself")
    if row.z is not None:
        if row.z_share_percent is None or row.z_share_percent >= 100:
            raise _LineError("z_um needs a z_share_percent below 100 beside it")
        if not row.y <= row.z <= row.x:
            raise _LineError(f"z_um = {row.z} lies outside y_um = {row.y} to x_um = {row.x}")
    wires = [wire for wire in (row.wire_min, row.wire, row.wire_max) if wire is not None]
    if wires != sorted(wires):
        raise _LineError("wire_min_um, wire_um and wire_max_um are not in rising order")


def _x(cells: Mapping[str, str], nominal: Decimal) -> Decimal:
    x, largest = _number(cells, "x_um"), _number(cells, "max_um")
    if largest is not None and largest <= nominal:
        raise _LineError(f"max_um = {largest} is not over the nominal {nominal}")
    if x is None and largest is None:
        raise _LineError("it gives neither x_um nor max_um")
    if x is not None and largest is not None and nominal + x != largest:
        raise _LineError(f"max_um = {largest} is not nominal + x_um = {nominal + x}")
    return x if x is not None else (largest or nominal) - nominal


def _sigmas(cells: Mapping[str, str]) -> dict[str, Decimal]:
    sigmas = {
        grade: s
        for grade, name in zip(GRADES, _SIGMAS, strict=True)
        if (s := _number(cells, name)) is not None
    }
    if "compliance" in sigmas and not any(name in cells for name in _SIGMAS[1:]):
        return dict.fromkeys(GRADES, sigmas["compliance"])
    return sigmas


def _source(cells: Mapping[str, str]) -> str:
    source, trust = _text(cells, "source"), _text(cells, "trust")
    return f"{source} [{trust}]" if source and trust else source or trust


def _needed(cells: Mapping[str, str], name: str) -> Decimal:
    value = _number(cells, name)
    if value is None:
        raise _LineError(f"{name} is blank")
    return value


def _number(cells: Mapping[str, str], name: str) -> Decimal | None:
    cell = cells.get(name, "")
    if not cell:
        return None
    if cell.startswith("-") and _NUMBER.fullmatch(cell[1:]):
        raise _LineError(f"{name} = {cell} is negative")
    if not _NUMBER.fullmatch(cell):
        raise _LineError(f"{name} = {_shown(cell)} is not a plain number like 3.7")
    value = Decimal(cell)
    if not value:
        raise _LineError(f"{name} is zero; leave it blank where there is no limit")
    return value


def _count(cells: Mapping[str, str], name: str) -> int | None:
    cell = cells.get(name, "")
    if not cell:
        return None
    if not _COUNT.fullmatch(cell) or int(cell) < 1:
        raise _LineError(f"{name} = {_shown(cell)} is not a count of apertures")
    return int(cell)


def _text(cells: Mapping[str, str], name: str) -> str:
    cell = cells.get(name, "")
    if not cell.isprintable() or len(cell) > 1000:
        raise _LineError(f"{name} = {_shown(cell)} holds characters that cannot be printed")
    return cell


def _shown(cell: str) -> str:
    return repr(cell if len(cell) <= 40 else cell[:40] + "…")
