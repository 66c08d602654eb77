"""Evidence kept in a database lies in chunks, so that no file has to fit into memory."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision: str | None = "0002"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Add the table; content kept whole before stays where it is and is read there."""
    op.create_table(
        "evidence_chunk",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ALTER TABLE evidence_chunk ALTER COLUMN content SET STORAGE EXTERNAL")
        _same_rights()


def _same_rights() -> None:
    """Who may read or add evidence may do the same with chunks."""
    bind = op.get_bind()
    rights = bind.execute(
        sa.text(
            "SELECT quote_ident(r.rolname), a.privilege_type, a.is_grantable FROM pg_class c "
            "CROSS JOIN LATERAL aclexplode(c.relacl) a JOIN pg_roles r ON r.oid = a.grantee "
            "WHERE c.oid = 'evidence_content'::regclass AND a.grantee <> c.relowner"
        )
    ).all()
    for user, right, passed_on in rights:
        suffix = " WITH GRANT OPTION" if passed_on else ""
        op.execute(f"GRANT {right} ON evidence_chunk TO {user}{suffix}")
