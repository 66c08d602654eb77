"""The first tables."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision: str | None = None
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

_SIZE = sa.Integer().with_variant(sa.BigInteger(), "postgresql")  # scans may pass 2 GiB


def _text(*names: str, nullable: bool = False) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String, nullable=nullable) for name in names]


def _seq_key() -> sa.Column[int]:
    return sa.Column(
        "seq", sa.Integer, sa.ForeignKey("event.seq"), primary_key=True, autoincrement=False
    )


def _sieve_key(unique: bool = False) -> sa.Column[str]:
    return sa.Column(
        "sieve_id", sa.String, sa.ForeignKey("sieve.id"), nullable=False, unique=unique
    )


def upgrade() -> None:
    """Make the ledger, the tables derived from it, and the guards of the ledger."""
    _ledger()
    _sieves()
    _checks()
    _margins_and_evidence()
    _uses_and_retirements()
    _guards()


def _ledger() -> None:
    info = op.create_table(
        "registry_info",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("value", sa.String, nullable=False),
    )
    op.bulk_insert(info, [{"name": "format", "value": "sieveward.registry"}])
    op.create_table(
        "event",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        *_text("kind", "subject", "on_date", "recorded_at", "person", "software"),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous", sa.String, nullable=False),
        sa.Column("hash", sa.String, nullable=False, unique=True),
    )


def _sieves() -> None:
    op.create_table(
        "sieve",
        sa.Column("id", sa.String, primary_key=True),
        sa.Column("nominal_nm", sa.Integer, nullable=False),
        *_text("standard", "grade", "serial"),
        sa.Column("frame_nm", sa.Integer),
        sa.Column("in_service", sa.String),
        sa.Column("added_on", sa.String, nullable=False),
        sa.Column("interval_months", sa.Integer, nullable=False),
        sa.Column("interval_uses", sa.Integer),
        *_text("location", "maker"),
        sa.Column("seq", sa.Integer, sa.ForeignKey("event.seq"), nullable=False),
        sa.CheckConstraint("nominal_nm > 0", name="nominal_positive"),
        sa.CheckConstraint("interval_months > 0", name="interval_positive"),
    )
    op.create_table(
        "sieve_edit",
        _seq_key(),
        _sieve_key(),
        *_text("on_date"),
        sa.Column("interval_months", sa.Integer),
        sa.Column("interval_uses", sa.Integer),
        *_text("location", nullable=True),
    )
    op.create_index("sieve_edit_of", "sieve_edit", ["sieve_id"])


def _checks() -> None:
    figures: list[sa.Column[int] | sa.Column[str]] = []
    for axis in ("x", "y"):
        texts = ("sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")
        figures.append(sa.Column(f"{axis}_count", sa.Integer, nullable=False))
        figures.extend(_text(f"{axis}_mean_um"))
        figures.extend(_text(*(f"{axis}_{name}" for name in texts), nullable=True))
    op.create_table(
        "sieve_check",
        sa.Column("id", sa.String, primary_key=True),
        _sieve_key(),
        *_text("on_date"),
        sa.Column("nominal_nm", sa.Integer, nullable=False),
        *_text("standard", "grade", "rule", "outcome", "action", "action_reason"),
        sa.Column("reasons", sa.Text, nullable=False),
        *_text("fit"),
        *figures,
        sa.Column("seq", sa.Integer, sa.ForeignKey("event.seq"), nullable=False, unique=True),
    )
    op.create_index("sieve_check_of", "sieve_check", ["sieve_id"])


def _margins_and_evidence() -> None:
    op.create_table(
        "check_margin",
        sa.Column("check_id", sa.String, sa.ForeignKey("sieve_check.id"), primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True),
        *_text("name", "direction"),
        *_text("value_um", "expanded_um", "limit_low_um", "limit_high_um", nullable=True),
        *_text("outcome"),
    )
    op.create_table(
        "evidence",
        sa.Column("sha256", sa.String, primary_key=True),
        *_text("extension"),
        sa.Column("size", _SIZE, nullable=False),
        sa.Column("seq", sa.Integer, sa.ForeignKey("event.seq"), nullable=False),
    )
    op.create_table(
        "check_evidence",
        sa.Column("check_id", sa.String, sa.ForeignKey("sieve_check.id"), primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String, sa.ForeignKey("evidence.sha256"), nullable=False),
        *_text("role", "name"),
    )


def _uses_and_retirements() -> None:
    op.create_table(
        "use_log",
        _seq_key(),
        _sieve_key(),
        *_text("on_date"),
        sa.Column("count", sa.Integer, nullable=False),
        *_text("note"),
        sa.CheckConstraint("count > 0", name="count_positive"),
    )
    op.create_index("use_log_of", "use_log", ["sieve_id"])
    op.create_table("retirement", _seq_key(), _sieve_key(unique=True), *_text("on_date", "reason"))


def _guards() -> None:
    """The ledger is only ever appended to; the database itself refuses anything else."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION event_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the ledger is only ever appended to' "
            "USING ERRCODE = 'integrity_constraint_violation'; END $$"
        )
        op.execute(
            "CREATE TRIGGER event_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON event "
            "FOR EACH STATEMENT EXECUTE FUNCTION event_append_only()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER event_no_{verb.lower()} BEFORE {verb} ON event "
            "BEGIN SELECT RAISE(ABORT, 'the ledger is only ever appended to'); END"
        )
