"""Brings a registry's tables up to date. Alembic is imported only when there is work to do."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from sieve_registry.errors import ForeignRegistryError
from sieve_registry.store.schema import FORMAT, HEAD_REVISION

SEAL = "schema_sha256"
SCHEMA_QUERY = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"


def is_empty(connection: Connection) -> bool:
    """Whether a server's database holds no table at all yet."""
    return not inspect(connection).get_table_names()


def revision_of(connection: Connection, place: Path | str) -> str:
    """The schema revision of a registry; raises `ForeignRegistryError` for another database."""
    tables = set(inspect(connection).get_table_names())
    if {"registry_info", "alembic_version"} <= tables:
        query = text("SELECT value FROM registry_info WHERE name = 'format'")
        if connection.execute(query).scalar() == FORMAT:
            revision = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
            if revision is not None:
                return str(revision)
    raise ForeignRegistryError(
        file=place,
        reason="it is the database of another program",
        advice="Choose another with --registry",
    )


def upgrade(connection: Connection, place: Path | str) -> None:
    """Run the missing migrations inside the caller's transaction.

    Raises `ForeignRegistryError` for a registry written by a newer version.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, HEAD_REVISION)
    except CommandError as error:
        raise ForeignRegistryError(
            file=place,
            reason="it was written by a newer sieveward",
            advice="Update this one before opening it",
        ) from error


def hash_of_schema(rows: Iterable[Iterable[object]]) -> str:
    """SHA-256 (hex) over the definitions of tables, indexes and triggers of an SQLite file."""
    lines = [repr(tuple(row)) for row in rows]
    return hashlib.sha256("\n".join(lines).encode("utf-8", "surrogateescape")).hexdigest()


def seal_schema(connection: Connection) -> None:
    """Note the hash of the schema, so that `verify` detects a change of it (SQLite)."""
    if connection.dialect.name != "sqlite":
        return
    connection.execute(text("DELETE FROM registry_info WHERE name = :name"), {"name": SEAL})
    row = {"name": SEAL, "value": hash_of_schema(connection.exec_driver_sql(SCHEMA_QUERY))}
    connection.execute(text("INSERT INTO registry_info VALUES (:name, :value)"), row)
