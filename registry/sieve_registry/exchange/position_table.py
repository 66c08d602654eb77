"""A table of the places of microscope fields: file, x_mm, y_mm."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.checks.positions import Position, read_position
from sieve_registry.exchange.sheets import read_columns

_COLUMNS = ("file", "x_mm", "y_mm")
_MOST_BYTES = 100_000


def positions_of_table(table: Path, files: Sequence[Path]) -> tuple[Position, ...]:
    """The position of each file from a table, which may name others too.

    Raises `BadTableError`, and `UsageError` for a file the table does not name.
    """
    rows = dict(read_columns(table, [_COLUMNS], _row, most_bytes=_MOST_BYTES))
    for file in files:
        if file.name not in rows:
            raise UsageError(
                message=f"{table.name} has no row for {file.name}: name each scan in its column "
                "file."
            )
    return tuple(rows[file.name] for file in files)


def _row(cells: dict[str, str], _earlier: list[tuple[str, Position]]) -> tuple[str, Position]:
    try:
        return cells["file"], read_position(cells["x_mm"], cells["y_mm"], of=cells["file"])
    except UsageError as error:
        raise ValueError(str(error).rstrip(".")) from None
