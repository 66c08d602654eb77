"""The tables. `event` is the ledger, only ever appended to; the others are derived from it."""

from __future__ import annotations

from typing import Any

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
WRITER_INFO = "sieveward_writer"  # what holds for one writing transaction: who has signed in
SIGN_IN_TABLE = "sign_in"  # on a server, made with the first password (see `store.passwords`)
HEAD_REVISION = "0003"  # the newest migration; a test holds it to the migrations folder

metadata = MetaData()


def _text(*names: str, nullable: bool = False) -> list[Column[str]]:
    return [Column(name, String, nullable=nullable) for name in names]


def _count(*names: str, nullable: bool = False) -> list[Column[int]]:
    return [Column(name, Integer, nullable=nullable) for name in names]


def _event_key() -> Column[int]:
    return Column("seq", ForeignKey("event.seq"), primary_key=True, autoincrement=False)


def _sieve_key(unique: bool | None = None) -> Column[str]:
    return Column("sieve_id", ForeignKey("sieve.id"), nullable=False, unique=unique)


def _part_of_check() -> list[Column[Any]]:
    check_id: Column[str] = Column("check_id", ForeignKey("sieve_check.id"), primary_key=True)
    return [check_id, Column("position", Integer, primary_key=True)]


def _details() -> Column[str]:
    return Column("details", Text, nullable=False, server_default="{}")


def _figures(axis: str) -> list[Column[Any]]:
    """Columns of one direction; figures are decimal texts in um, exact, null if unknown."""
    texts = ("sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")
    return [
        *_count(f"{axis}_count"),
        *_text(f"{axis}_mean_um"),
        *_text(*(f"{axis}_{name}" for name in texts), nullable=True),
    ]


registry_info = Table(
    "registry_info", metadata, Column("name", String, primary_key=True), *_text("value")
)

event = Table(
    "event",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    *_text("kind", "subject", "on_date", "recorded_at", "person", "software"),
    Column("payload", Text, nullable=False),
    *_text("previous"),
    Column("hash", String, nullable=False, unique=True),
    Index("event_kind", "kind", "subject"),
)

sieve = Table(
    "sieve",
    metadata,
    Column("id", String, primary_key=True),
    *_count("nominal_nm"),
    *_text("standard", "grade", "serial"),
    *_count("frame_nm", nullable=True),
    *_text("in_service", nullable=True),
    *_text("added_on"),
    *_count("interval_months"),
    *_count("interval_uses", nullable=True),
    *_text("location", "maker"),
    Column("seq", ForeignKey("event.seq"), nullable=False),
    _details(),
    CheckConstraint("nominal_nm > 0", name="nominal_positive"),
    CheckConstraint("interval_months > 0", name="interval_positive"),
)

sieve_edit = Table(
    "sieve_edit",
    metadata,
    _event_key(),
    _sieve_key(),
    *_text("on_date"),
    *_count("interval_months", "interval_uses", nullable=True),
    *_text("location", nullable=True),
    _details(),
    Index("sieve_edit_of", "sieve_id"),
)

check = Table(
    "sieve_check",  # CHECK alone is a word of SQL
    metadata,
    Column("id", String, primary_key=True),
    _sieve_key(),
    *_text("on_date"),
    *_count("nominal_nm"),
    *_text("standard", "grade", "rule", "outcome", "action", "action_reason"),
    Column("reasons", Text, nullable=False),
    *_text("fit"),
    *_figures("x"),
    *_figures("y"),
    Column("seq", ForeignKey("event.seq"), nullable=False, unique=True),
    *_text("scale_source", nullable=True),
    Index("sieve_check_of", "sieve_id", "on_date", "seq"),
)

check_margin = Table(
    "check_margin",
    metadata,
    *_part_of_check(),
    *_text("name", "direction"),
    *_text("value_um", "expanded_um", "limit_low_um", "limit_high_um", nullable=True),
    *_text("outcome"),
)

evidence = Table(
    "evidence",
    metadata,
    Column("sha256", String, primary_key=True),
    *_text("extension"),
    Column("size", Integer().with_variant(BigInteger(), "postgresql"), nullable=False),
    Column("seq", ForeignKey("event.seq"), nullable=False),
)

check_evidence = Table(
    "check_evidence",
    metadata,
    *_part_of_check(),
    Column("sha256", ForeignKey("evidence.sha256"), nullable=False),
    *_text("role", "name"),
)

use = Table(
    "use_log",
    metadata,
    _event_key(),
    _sieve_key(),
    *_text("on_date"),
    *_count("count"),
    *_text("note"),
    _details(),
    CheckConstraint("count > 0", name="count_positive"),
    Index("use_log_of", "sieve_id", "on_date", "seq"),
)

retirement = Table(
    "retirement", metadata, _event_key(), _sieve_key(unique=True), *_text("on_date", "reason")
)

signature = Table(
    "signature",
    metadata,
    _event_key(),
    Column("check_id", ForeignKey("sieve_check.id")),  # a check signed off, or
    *_text("head", nullable=True),  # a head of the ledger signed with a key
)

# Not derived: the content itself, where evidence is kept in the database. Its hash proves it.
evidence_content = Table(
    "evidence_content",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("content", LargeBinary, nullable=False),
)  # until version 0.1; later content lies in chunks
evidence_chunk = Table(
    "evidence_chunk",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("content", LargeBinary, nullable=False),
)

# In the order in which rows may be inserted under foreign keys.
DERIVED: tuple[Table, ...] = (
    sieve, sieve_edit, check, check_margin, evidence, check_evidence, use, retirement, signature,
)  # fmt: skip
