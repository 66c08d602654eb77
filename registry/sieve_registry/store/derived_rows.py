"""Rows of the derived tables as `verify` compares them: plain tuples of a stretch of events."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from dataclasses import dataclass
from itertools import chain
from operator import itemgetter
from typing import Any

import orjson
from sqlalchemy import Connection, Table

Key = tuple[Any, ...]
BEFORE_ALL = -(2**31)
_EVIDENCE_SPAN = 20_000  # events beyond a stretch whose rows of evidence are read with it
_EXACT = {str, int, type(None)}  # values of which SQLite and orjson write JSON without any loss


@dataclass(frozen=True)
class DerivedTable:
    """A derived table: its columns, which of them are its key, and how to get a stretch of it.

    `as_json` gets the rows of a stretch from SQLite as one JSON text.
    """

    name: str
    columns: tuple[str, ...]
    key: tuple[int, ...]
    sql: str
    as_json: str
    rest: str

    def key_of(self, row: Key) -> Key:
        """The values of a row's key."""
        return tuple(row[place] for place in self.key)


def mark_of(connection: Connection) -> str:
    """How the driver marks a value in SQL."""
    return "?" if connection.dialect.name == "sqlite" else "%s"


def plain_rows(connection: Connection, sql: str, values: tuple[Any, ...] = ()) -> list[Key]:
    """Plain rows. Damaged texts of SQLite that are not UTF-8 are read, to name them."""
    raw = connection.connection.driver_connection
    if not isinstance(raw, sqlite3.Connection):
        return [tuple(row) for row in connection.exec_driver_sql(sql, values).fetchall()]
    try:
        return raw.execute(sql, values).fetchall()
    except sqlite3.OperationalError as error:
        if hasattr(error, "sqlite_errorcode"):
            raise
    raw.text_factory = _read_text
    try:
        return raw.execute(sql, values).fetchall()
    finally:
        raw.text_factory = str


def rows_equal_json(
    connection: Connection, table: DerivedTable, rows: list[Key], span: tuple[int, int]
) -> bool:
    """Whether SQLite says that the rows of the events in `span` are `rows`; false also if unsure.

    It compares one JSON text, in half the time that rows of Python's values take.
    """
    raw = connection.connection.driver_connection
    if not isinstance(raw, sqlite3.Connection) or not _EXACT.issuperset(
        map(type, chain.from_iterable(rows))
    ):
        return False
    try:
        ((text,),) = raw.execute(table.as_json, span).fetchall()
        return bool((text or b"") == orjson.dumps(rows)[1:-1])
    except (sqlite3.Error, TypeError):  # bytes in a row, a text that is not UTF-8
        return False


def _read_text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def derived_table(table: Table, sqlite: bool) -> DerivedTable:
    """A derived table, with the SQL of its driver."""
    mark = "?" if sqlite else "%s"
    names = tuple(column.name for column in table.columns)
    columns = ", ".join(f't."{name}"' for name in names)
    key = tuple(names.index(column.name) for column in table.primary_key)
    order = ", ".join(f"t.{names[place]}" for place in key)
    if "seq" in names:
        source, seq = f"{table.name} t", "t.seq"
        rest = f"t.seq > {mark} OR t.seq < 1"
    else:
        source, seq = f"{table.name} t JOIN sieve_check c ON c.id = t.check_id", "c.seq"
        rest = f"{mark} >= 0 AND t.check_id NOT IN (SELECT id FROM sieve_check)"
    stretch = f"FROM {source} WHERE {seq} > {mark} AND {seq} <= {mark} ORDER BY {seq}, {order}"
    arrays = f"SELECT json_array({columns}) AS cells {stretch}"
    return DerivedTable(
        name=table.name,
        columns=names,
        key=key,
        sql=f"SELECT {columns} {stretch}",
        as_json=f"SELECT CAST(group_concat(cells) AS BLOB) FROM ({arrays})",
        rest=f"SELECT {columns} FROM {table.name} t WHERE {rest}",
    )


class EvidenceRows:
    """The rows of evidence in order of event: read for many stretches at once."""

    def __init__(self, connection: Connection, table: DerivedTable) -> None:
        self._connection, self._sql = connection, table.sql
        self._seq = itemgetter(table.columns.index("seq"))
        self._end = BEFORE_ALL
        self._rows: list[Key] = []

    def between(self, after: int, seq: int) -> list[Key]:
        """The rows of the events after `after` up to `seq`, each stretch after the one before."""
        if seq > self._end:
            end = seq + _EVIDENCE_SPAN
            values = (max(after, self._end), end)
            self._rows += plain_rows(self._connection, self._sql, values)
            self._end = end
        count = bisect_right(self._rows, seq, key=self._seq)
        taken, self._rows = self._rows[:count], self._rows[count:]
        return taken
