"""`verify` names what was changed behind the registry's back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from registry_made import evidence_folder
from sieve_registry.audit import verification
from sieve_registry.errors import BrokenRecordError
from sieve_registry.ledger.proof import Verification
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.store import derived_rows, heads, schema, verify
from sieve_registry.store.engine import Registry

DATABASES = ("sqlite",)  # what only a file can suffer

UNGUARD = ("DROP TRIGGER event_no_update", "DROP TRIGGER event_no_delete")


@pytest.fixture
def tampered(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], path: Path
) -> Callable[..., Verification]:
    """A registry of six events; what is given is done to its file behind its back."""
    add()
    check()
    sieve_commands.log_use(registry, "S-1", 12, note="limestone")
    sieve_commands.edit_sieve(registry, "S-1", location="shelf 2")
    check(outcome="fail")
    sieve_commands.retire(registry, "S-1", "worn")
    assert verification.verify(registry).ok

    def tamper(*statements: str) -> Verification:
        connection = sqlite3.connect(path)
        try:
            with connection:
                for statement in statements:
                    assert connection.execute(statement).rowcount != 0
        finally:
            connection.close()
        return verification.verify(registry)

    return tamper


def subjects(found: Verification) -> set[tuple[str, str]]:
    return {(finding.source, finding.subject) for finding in found.findings}


def test_a_registry_as_recorded_has_no_findings(
    tampered: Callable[..., Verification], registry: Registry
) -> None:
    found = verification.verify(registry)
    assert (found.ok, found.events, found.findings) == (True, 6, ())
    assert found.head == verification.ledger_head(registry)[1]


def test_an_empty_registry_is_sound(registry: Registry) -> None:
    assert verification.verify(registry).head is None
    assert verification.verify(registry).ok


def test_a_flipped_byte_in_a_payload_is_named(
    registry: Registry, tampered: Callable[..., Verification], path: Path
) -> None:
    registry.close()
    data = bytearray(path.read_bytes())
    for wal in path.parent.glob("*-wal"):
        assert wal.stat().st_size == 0  # everything is in the file itself
    place = data.rindex(b'"note":"limestone"') + len(b'"note":"')
    data[place] ^= 0x04  # limestone -> himestone
    path.write_bytes(data)
    found = verification.verify(registry)
    assert not found.ok
    assert ("chain", "event 3") in subjects(found)


@pytest.mark.parametrize("byte", [b"\xff", b"\x00"])
def test_a_payload_that_is_no_text_any_more_is_named(
    registry: Registry, tampered: Callable[..., Verification], path: Path, byte: bytes
) -> None:
    registry.close()
    data = path.read_bytes()
    path.write_bytes(data.replace(b'"note":"limestone"', b'"note":"limeston' + byte + b'"'))
    found = verification.verify(registry)
    assert ("chain", "event 3") in subjects(found)


@pytest.mark.parametrize(
    "change", ["person = 'Bo'", "on_date = '2025-01-01'", "payload = '{'", "hash = 'x'", "seq = 77"]
)
def test_a_changed_event_is_named(tampered: Callable[..., Verification], change: str) -> None:
    found = tampered(*UNGUARD, f"UPDATE event SET {change} WHERE seq = 3")
    assert found.findings[0].source == "chain"
    assert found.findings[0].subject in ("event 3", "event 4")


def test_a_removed_event_is_named(tampered: Callable[..., Verification]) -> None:
    found = tampered(*UNGUARD, "DELETE FROM event WHERE seq = 3")
    assert found.findings[0].message == "event 3 is missing"
    assert ("records", "use_log 3") in subjects(found)


def guards_of(path: Path) -> list[str]:
    """The statements that make the guards anew, word for word."""
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    connection.close()
    return [sql for (sql,) in rows]


def test_a_cut_off_end_needs_a_head_noted_earlier(
    tampered: Callable[..., Verification], registry: Registry, path: Path
) -> None:
    head = verification.ledger_head(registry)[1]
    registry.head_note.unlink()
    heads.journal_of(registry.place).unlink()
    guards = guards_of(path)
    found = tampered(*UNGUARD, "DELETE FROM event WHERE seq = 6", "DELETE FROM retirement", *guards)
    assert found.ok  # the chain alone cannot know
    found = verification.verify(registry, known_head=head)
    assert subjects(found) == {("chain", f"head {head}")}


def test_a_cut_off_end_is_found_by_the_note_beside_the_file(
    tampered: Callable[..., Verification], registry: Registry, path: Path
) -> None:
    head = verification.ledger_head(registry)[1]
    cut = ("DELETE FROM event WHERE seq = 6", "DELETE FROM retirement")
    found = tampered(*UNGUARD, *cut, *guards_of(path))
    assert subjects(found) == {("chain", f"head {head}")}


def test_guards_taken_away_are_named(tampered: Callable[..., Verification]) -> None:
    found = tampered(*UNGUARD)
    assert [finding.message for finding in found.findings] == [
        "its tables or triggers were changed"
    ]


@pytest.mark.parametrize(
    ("change", "subject", "word"),
    [
        ("UPDATE sieve_check SET outcome = 'pass'", "sieve_check C-0002", "outcome"),
        ("UPDATE sieve_check SET x_mean_um = '75.0' WHERE id = 'C-0001'",
         "sieve_check C-0001", "x_mean_um"),
        ("UPDATE sieve SET nominal_nm = 90000", "sieve S-1", "nominal_nm"),
        ("UPDATE use_log SET count = 1", "use_log 3", "count"),
        ("DELETE FROM retirement", "retirement 6", "gone"),
        ("DELETE FROM sieve_edit", "sieve_edit 4", "gone"),
        ("UPDATE check_margin SET limit_high_um = '99' WHERE position = 1 AND check_id = 'C-0002'",
         "check_margin C-0002, 1", "limit_high_um"),
        ("INSERT INTO use_log VALUES (5, 'S-1', '2026-01-01', 3, '', '{}')",
         "use_log 5", "no event"),
    ],
)  # fmt: skip
def test_a_derived_row_that_left_its_event_is_named(
    tampered: Callable[..., Verification], change: str, subject: str, word: str
) -> None:
    found = tampered(change)
    (finding,) = (f for f in found.findings if f.source == "records")
    assert finding.subject == subject
    assert word in finding.message


def test_values_that_only_look_the_same_are_named(tampered: Callable[..., Verification]) -> None:
    found = tampered(
        "UPDATE use_log SET note = CAST(note AS BLOB)",
        "UPDATE sieve_edit SET location = location || char(0)",
        "UPDATE retirement SET reason = reason || X'ff'",
        "UPDATE sieve SET interval_months = interval_months + 1e-12",
    )
    names = {(f.subject, f.message.split()[0]) for f in found.findings if f.source == "records"}
    assert names == {
        ("use_log 3", "note"), ("sieve_edit 4", "location"), ("retirement 6", "reason"),
        ("sieve S-1", "interval_months"),
    }  # fmt: skip


def test_rows_are_compared_as_text_only_where_the_text_has_every_digit(
    tampered: Callable[..., Verification], registry: Registry
) -> None:
    tampered("UPDATE use_log SET count = 0.1 + 0.2")  # SQLite writes 0.3
    table = derived_rows.derived_table(schema.use, sqlite=True)
    with registry.reading() as connection:
        (row,) = derived_rows.plain_rows(connection, table.sql, (2, 3))
        assert row[3] != 0.3
        shown = [(*row[:3], 0.3, *row[4:])]
        assert not derived_rows.rows_equal_json(connection, table, shown, (2, 3))
        assert derived_rows.rows_equal_json(connection, table, [], (3, 4))


def test_a_row_slipped_in_points_to_verify_when_it_stands_in_the_way(
    tampered: Callable[..., Verification], registry: Registry, add: Callable[..., Any]
) -> None:
    tampered(
        "INSERT INTO sieve SELECT 'S-2', nominal_nm, standard, grade, serial, frame_nm, "
        "in_service, added_on, interval_months, interval_uses, location, maker, 99, '{}' FROM sieve"
    )
    with pytest.raises(BrokenRecordError, match="sieveward verify"):
        add("S-2")


def test_a_row_that_points_nowhere_is_named(tampered: Callable[..., Verification]) -> None:
    found = tampered("UPDATE use_log SET sieve_id = 'S-9'")
    assert any("does not exist" in finding.message for finding in found.findings)


@pytest.mark.parametrize("span", [0, 1, 100])
def test_rows_of_evidence_are_compared_with_their_events_however_many_are_read_at_once(
    tampered: Callable[..., Verification], monkeypatch: pytest.MonkeyPatch, span: int
) -> None:
    monkeypatch.setattr(verify, "_STRETCH", 1)
    monkeypatch.setattr(derived_rows, "_EVIDENCE_SPAN", span)
    assert tampered().ok
    slipped_in = f"INSERT INTO evidence VALUES ('{'a' * 64}', '.tif', 5, 4)"
    found = tampered(slipped_in)
    assert ("records", f"evidence {'a' * 64}") in subjects(found)
    moved = tampered("UPDATE evidence SET seq = 5 WHERE seq = 2")
    assert {("records", f"evidence {'a' * 64}")} < subjects(moved)


@pytest.mark.parametrize("role", ["scan", "overlay", "measurement", "apertures", "scale"])
def test_a_flipped_byte_in_an_evidence_file_is_named(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], role: str
) -> None:
    add()
    file = next(f for f in check().evidence if f.role == role)
    kept = evidence_folder(registry).path_of(file.sha256, file.extension)
    data = bytearray(kept.read_bytes())
    data[len(data) // 2] ^= 1
    kept.chmod(0o644)
    kept.write_bytes(data)
    (finding,) = verification.verify(registry).findings
    assert finding.source == "evidence"
    assert file.sha256 in finding.subject
    assert "altered" in finding.message
    kept.unlink()
    (finding,) = verification.verify(registry).findings
    assert "missing" in finding.message


def test_a_damaged_page_of_the_file_is_found(
    registry: Registry, tampered: Callable[..., Verification], path: Path
) -> None:
    registry.close()
    data = bytearray(path.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    place = data.rindex(b"use logged") // size * size
    data[place : place + 200] = b"\xff" * 200
    path.write_bytes(data)
    assert not verification.verify(registry).ok
