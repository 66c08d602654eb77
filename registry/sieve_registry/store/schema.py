"""The tables. `event` is the truth and only ever appended to; all others are derived from it."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

FORMAT = "sieveward.registry"
HEAD_INFO = "sieveward_head"  # where a writer leaves the count and hash it will have committed
HEAD_REVISION = "0002"  # the newest migration; a test holds it to the migrations folder

metadata = MetaData()

registry_info = Table(
    "registry_info",
    metadata,
    Column("name", String, primary_key=True),
    Column("value", String, nullable=False),
)

event = Table(
    "event",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("kind", String, nullable=False),
    Column("subject", String, nullable=False),
    Column("on_date", String, nullable=False),
    Column("recorded_at", String, nullable=False),
    Column("person", String, nullable=False),
    Column("software", String, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous", String, nullable=False),
    Column("hash", String, nullable=False, unique=True),
    Index("event_kind", "kind", "subject"),
)


def _event_key() -> Column[int]:
    return Column("seq", ForeignKey("event.seq"), primary_key=True, autoincrement=False)


def _sieve_key() -> Column[str]:
    return Column("sieve_id", ForeignKey("sieve.id"), nullable=False)


sieve = Table(
    "sieve",
    metadata,
    Column("id", String, primary_key=True),
    Column("nominal_nm", Integer, nullable=False),
    Column("standard", String, nullable=False),
    Column("grade", String, nullable=False),
    Column("serial", String, nullable=False),
    Column("frame_nm", Integer),
    Column("in_service", String),
    Column("added_on", String, nullable=False),
    Column("interval_months", Integer, nullable=False),
    Column("interval_uses", Integer),
    Column("location", String, nullable=False),
    Column("maker", String, nullable=False),
    Column("seq", ForeignKey("event.seq"), nullable=False),
    Column("details", Text, nullable=False, server_default="{}"),
    CheckConstraint("nominal_nm > 0", name="nominal_positive"),
    CheckConstraint("interval_months > 0", name="interval_positive"),
)

sieve_edit = Table(
    "sieve_edit",
    metadata,
    _event_key(),
    _sieve_key(),
    Column("on_date", String, nullable=False),
    Column("interval_months", Integer),
    Column("interval_uses", Integer),
    Column("location", String),
    Column("details", Text, nullable=False, server_default="{}"),
    Index("sieve_edit_of", "sieve_id"),
)


def _figures(axis: str) -> list[Column[int] | Column[str]]:
    """Columns of one direction; figures are decimal texts in um, exact, null if unknown."""
    texts = ("mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")
    return [
        Column(f"{axis}_count", Integer, nullable=False),
        *(Column(f"{axis}_{name}", String, nullable=name != "mean_um") for name in texts),
    ]


check = Table(
    "sieve_check",  # CHECK alone is a word of SQL
    metadata,
    Column("id", String, primary_key=True),
    _sieve_key(),
    Column("on_date", String, nullable=False),
    Column("nominal_nm", Integer, nullable=False),
    Column("standard", String, nullable=False),
    Column("grade", String, nullable=False),
    Column("rule", String, nullable=False),
    Column("outcome", String, nullable=False),
    Column("action", String, nullable=False),
    Column("action_reason", String, nullable=False),
    Column("reasons", Text, nullable=False),
    Column("fit", String, nullable=False),
    *_figures("x"),
    *_figures("y"),
    Column("seq", ForeignKey("event.seq"), nullable=False, unique=True),
    Column("scale_source", String),
    Index("sieve_check_of", "sieve_id", "on_date", "seq"),
)

check_margin = Table(
    "check_margin",
    metadata,
    Column("check_id", ForeignKey("sieve_check.id"), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("name", String, nullable=False),
    Column("direction", String, nullable=False),
    Column("value_um", String),
    Column("expanded_um", String),
    Column("limit_low_um", String),
    Column("limit_high_um", String),
    Column("outcome", String, nullable=False),
)

evidence = Table(
    "evidence",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("extension", String, nullable=False),
    Column("size", Integer().with_variant(BigInteger(), "postgresql"), nullable=False),
    Column("seq", ForeignKey("event.seq"), nullable=False),
)

check_evidence = Table(
    "check_evidence",
    metadata,
    Column("check_id", ForeignKey("sieve_check.id"), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("sha256", ForeignKey("evidence.sha256"), nullable=False),
    Column("role", String, nullable=False),
    Column("name", String, nullable=False),
)

use = Table(
    "use_log",
    metadata,
    _event_key(),
    _sieve_key(),
    Column("on_date", String, nullable=False),
    Column("count", Integer, nullable=False),
    Column("note", String, nullable=False),
    Column("details", Text, nullable=False, server_default="{}"),
    CheckConstraint("count > 0", name="count_positive"),
    Index("use_log_of", "sieve_id", "on_date", "seq"),
)

retirement = Table(
    "retirement",
    metadata,
    _event_key(),
    Column("sieve_id", ForeignKey("sieve.id"), nullable=False, unique=True),
    Column("on_date", String, nullable=False),
    Column("reason", String, nullable=False),
)

signature = Table(
    "signature",
    metadata,
    _event_key(),
    Column("check_id", ForeignKey("sieve_check.id")),  # a check signed off, or
    Column("head", String),  # a head of the ledger signed with a key
)

# Not derived: the content itself, where evidence is kept in the database. Its hash proves it.
evidence_content = Table(
    "evidence_content",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("content", LargeBinary, nullable=False),
)

# In the order in which rows may be inserted under foreign keys.
DERIVED: tuple[Table, ...] = (
    sieve,
    sieve_edit,
    check,
    check_margin,
    evidence,
    check_evidence,
    use,
    retirement,
    signature,
)
