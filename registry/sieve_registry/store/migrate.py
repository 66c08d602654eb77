"""Brings a registry's tables up to date. Alembic is imported only when there is work to do."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from sieve_registry.errors import ForeignRegistryError
from sieve_registry.store.schema import FORMAT, HEAD_REVISION

__all__ = ["revision_of", "upgrade"]


def revision_of(connection: Connection, path: Path) -> str:
    """The schema revision of a registry; raises `ForeignRegistryError` when it is none of ours."""
    tables = set(inspect(connection).get_table_names())
    if {"registry_info", "alembic_version"} <= tables:
        query = text("SELECT value FROM registry_info WHERE name = 'format'")
        if connection.execute(query).scalar() == FORMAT:
            revision = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
            if revision is not None:
                return str(revision)
    raise ForeignRegistryError(
        file=path,
        reason="it is a database, but none that sieveward made",
        advice="Choose another with --registry",
    )


def upgrade(connection: Connection, path: Path) -> None:
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
            file=path,
            reason="it was written by a newer sieveward",
            advice="Update this one before opening it",
        ) from error
