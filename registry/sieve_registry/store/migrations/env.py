"""Runs the migrations on the connection handed over by `store.migrate`."""

from __future__ import annotations

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transactional_ddl=True)
context.run_migrations()
