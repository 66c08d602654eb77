"""Alembic migrations, run when a registry is made or opened by a newer version."""
