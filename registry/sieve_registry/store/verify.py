"""Proof that a registry still says what was recorded."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, select

from sieve_registry.ledger.chain import check_chain
from sieve_registry.records import Event, Finding
from sieve_registry.store import schema
from sieve_registry.store.evidence import EvidenceStore, file_sha256
from sieve_registry.store.projection import rows_of
from sieve_registry.store.reader import events

__all__ = ["verify_records"]

_Rows = dict[str, dict[tuple[Any, ...], dict[str, Any]]]


def verify_records(
    connection: Connection, evidence: EvidenceStore, known_head: str | None = None
) -> tuple[list[Event], list[Finding]]:
    """All events, and findings about the chain, derived rows, foreign keys and evidence files."""
    ledger = list(events(connection))
    findings = _file_structure(connection) + check_chain(ledger, known_head)
    expected, unreadable = _expected(ledger)
    findings += unreadable
    for table in schema.DERIVED:
        findings += _compare(connection, table.name, expected[table.name])
    findings += _foreign_keys(connection)
    findings += _files(evidence, expected["evidence"].values())
    return ledger, findings


def _file_structure(connection: Connection) -> list[Finding]:
    """What the database itself says of its file; "ok" when nothing is wrong."""
    told = connection.exec_driver_sql("PRAGMA quick_check(5)").scalars().all()
    return [Finding("file", str(line), "registry file") for line in told if line != "ok"]


def _key(table: str, row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row[column.name] for column in schema.metadata.tables[table].primary_key)


def _expected(ledger: list[Event]) -> tuple[_Rows, list[Finding]]:
    """The derived tables as the events alone say they must be."""
    tables: _Rows = {table.name: {} for table in schema.DERIVED}
    findings = []
    for event in ledger:
        try:
            for table, row in rows_of(event):
                tables[table].setdefault(_key(table, row), row)
        except (KeyError, TypeError, ValueError, AttributeError):
            message = f"its payload cannot be read as '{event.kind}'"
            findings.append(Finding("records", message, f"event {event.seq}"))
    return tables, findings


def _compare(
    connection: Connection, table: str, expected: dict[tuple[Any, ...], dict[str, Any]]
) -> list[Finding]:
    """Findings about rows that are missing, strange, or differ from their events."""
    findings = []
    query = select(schema.metadata.tables[table])
    found = {
        _key(table, dict(row)): dict(row) for row in connection.execute(query).mappings().all()
    }
    for key in sorted(expected.keys() | found.keys(), key=str):
        subject = f"{table} {', '.join(str(part) for part in key)}"
        if key not in found:
            findings.append(Finding("records", "is in the ledger, but its row is gone", subject))
        elif key not in expected:
            findings.append(Finding("records", "stands in no event of the ledger", subject))
        elif found[key] != expected[key]:
            names = [n for n, value in expected[key].items() if found[key].get(n) != value]
            message = f"{', '.join(names)} differ from event {_seq(expected[key], found[key])}"
            findings.append(Finding("records", message, subject))
    return findings


def _seq(*rows: dict[str, Any]) -> str:
    return next((str(row["seq"]) for row in rows if "seq" in row), "it came from")


def _foreign_keys(connection: Connection) -> list[Finding]:
    rows = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    return [
        Finding("records", f"a row points to a {row[2]} that is not there", f"{row[0]} {row[1]}")
        for row in rows
    ]


def _files(evidence: EvidenceStore, rows: Iterable[dict[str, Any]]) -> list[Finding]:
    findings = []
    for row in rows:
        path = evidence.path_of(str(row["sha256"]), str(row["extension"]))
        name = f"evidence {path.relative_to(evidence.folder)}"
        try:
            if file_sha256(path) != row["sha256"]:
                message = f"the file was altered (recorded by event {row['seq']})"
                findings.append(Finding("evidence", message, name))
        except FileNotFoundError:
            message = f"the file is missing (recorded by event {row['seq']})"
            findings.append(Finding("evidence", message, name))
        except OSError as error:
            message = f"the file cannot be read: {error.strerror or error}"
            findings.append(Finding("evidence", message, name))
    return findings
