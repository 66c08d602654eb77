"""What a sieve is in full, how it was used, signatures, and evidence kept in the database."""

from __future__ import annotations

import json
from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision: str | None = "0001"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Add columns and tables; rows recorded before get what their events say."""
    op.create_index("event_kind", "event", ["kind", "subject"])
    for table in ("sieve", "sieve_edit", "use_log"):
        op.add_column(table, sa.Column("details", sa.Text, nullable=False, server_default="{}"))
    op.add_column("sieve_check", sa.Column("scale_source", sa.String))
    for table in ("sieve_check", "use_log"):
        op.drop_index(f"{table}_of", table)
        op.create_index(f"{table}_of", table, ["sieve_id", "on_date", "seq"])
    op.create_table(
        "signature",
        sa.Column(
            "seq", sa.Integer, sa.ForeignKey("event.seq"), primary_key=True, autoincrement=False
        ),
        sa.Column("check_id", sa.String, sa.ForeignKey("sieve_check.id")),
        sa.Column("head", sa.String),
    )
    op.create_table(
        "evidence_content",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    _scale_sources()
    if op.get_bind().dialect.name == "postgresql":
        _policies()


def _scale_sources() -> None:
    """Where the scale of each check came from, as its event says."""
    bind = op.get_bind()
    checks = bind.execute(
        sa.text("SELECT seq, payload FROM event WHERE kind = 'check recorded'")
    ).all()
    for seq, payload in checks:
        try:
            source = json.loads(payload)["scale"]["source"]
        except (ValueError, KeyError, TypeError):
            continue  # a damaged event is for `verify` to name
        bind.execute(
            sa.text("UPDATE sieve_check SET scale_source = :source WHERE seq = :seq"),
            {"source": source, "seq": seq},
        )


def _policies() -> None:
    """Only who may insert a signature may record one: the database itself refuses others."""
    op.execute("ALTER TABLE event ENABLE ROW LEVEL SECURITY")
    op.execute("CREATE POLICY event_read ON event FOR SELECT USING (true)")
    op.execute(
        "CREATE POLICY event_append ON event FOR INSERT WITH CHECK ("
        "kind NOT IN ('check signed', 'head signed') "
        "OR has_table_privilege(current_user, 'signature', 'INSERT'))"
    )
