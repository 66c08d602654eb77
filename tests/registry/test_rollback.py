"""An older copy put back, or a lost end, is reported until a person accepts the loss."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from clock import Clock
from postgres_server import Server
from program import Program
from sieve_inspect.errors import UsageError
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.errors import LostEventsError
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import heads
from sieve_registry.store.engine import Registry, open_registry

ADA = RecordTerms(by="Ada Moss")
GUARD_OFF = "ALTER TABLE event DISABLE TRIGGER event_no_change"
GUARD_ON = "ALTER TABLE event ENABLE TRIGGER event_no_change"


def file_only(test: Any) -> Any:
    test.file_only = True
    return test


def cut_last(registry: Registry) -> None:
    """Take the newest event and its use away, as the owner of the database can."""
    with registry.engine.connect() as connection:
        on_server = connection.dialect.name == "postgresql"
        guard = connection.exec_driver_sql(
            "SELECT sql FROM sqlite_master WHERE name = 'event_no_delete'"
        ).scalar_one() if not on_server else ""  # fmt: skip
        off, on = (GUARD_OFF, GUARD_ON) if on_server else ("DROP TRIGGER event_no_delete", guard)
        newest = "(SELECT max(seq) FROM event)"
        for statement in (
            off,
            f"DELETE FROM use_log WHERE seq = {newest}",
            f"DELETE FROM event WHERE seq = {newest}",
            on,
        ):
            connection.execute(text(statement))
        connection.commit()


@pytest.fixture
def cut(registry: Registry, add: Callable[..., Any]) -> Registry:
    """A registry of four events, of which the last two are gone."""
    add()
    for count in (1, 2, 3):
        sieve_commands.log_use(registry, "S-1", count, by="Ada Moss")
    assert verification.verify(registry).ok
    cut_last(registry)
    cut_last(registry)
    return registry


def test_nothing_is_appended_where_the_newest_known_event_is_missing(cut: Registry) -> None:
    for _ in range(2):
        with pytest.raises(LostEventsError, match=r"number [34], hash .*--accept-loss"):
            sieve_commands.log_use(cut, "S-1", 9, by="Ada Moss")
        found = verification.verify(cut)
        assert {finding.source for finding in found.findings} == {"chain"}
        assert found.events == 2


@file_only
def test_the_journal_in_the_users_folder_is_enough(cut: Registry) -> None:
    assert cut.head_note is not None
    cut.head_note.unlink()
    with pytest.raises(LostEventsError, match="noted in your own folder"):
        sieve_commands.log_use(cut, "S-1", 9, by="Ada Moss")
    assert not verification.verify(cut).ok


@file_only
def test_the_note_beside_the_file_is_enough(cut: Registry) -> None:
    heads.journal_of(cut.place).unlink()
    with pytest.raises(LostEventsError, match="noted beside the file"):
        sieve_commands.log_use(cut, "S-1", 9, by="Ada Moss")


@file_only
def test_an_older_file_put_back_with_its_own_note_is_refused(
    registry: Registry, add: Callable[..., Any], path: Path, tmp_path: Path, clock: Clock
) -> None:
    add()
    registry.close()
    older = tmp_path / "older"
    shutil.copytree(path.parent, older)
    sieve_commands.log_use(registry, "S-1", 5, by="Ada Moss")
    registry.close()
    for file in older.iterdir():
        shutil.copy2(file, path.parent / file.name)
    back = open_registry(path, now=clock)
    with pytest.raises(LostEventsError, match="number 2"):
        sieve_commands.log_use(back, "S-1", 6, by="Ada Moss")


@file_only
def test_a_damaged_note_stops_recording_until_a_person_accepts_it(
    registry: Registry, add: Callable[..., Any]
) -> None:
    add()
    assert registry.head_note is not None
    registry.head_note.write_text("1 abc\n")
    with pytest.raises(LostEventsError, match="damaged"):
        sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss")
    audit_commands.accept_loss(registry, "power failed while the note was written", ADA)
    sieve_commands.log_use(registry, "S-1", 1, by="Ada Moss")
    assert verification.verify(registry).ok


def test_an_accepted_loss_stays_in_the_ledger(cut: Registry) -> None:
    audit_commands.accept_loss(cut, "the disk failed, no newer backup", ADA)
    sieve_commands.log_use(cut, "S-1", 4, by="Ada Moss")
    found = verification.verify(cut)
    assert found.ok
    (loss,) = found.losses
    assert (loss.seq, loss.person) == (3, "Ada Moss")
    assert {head.events for head in loss.payload.lost} >= {4}
    with pytest.raises(UsageError, match="No event is known to be missing"):
        audit_commands.accept_loss(cut, "again", ADA)


def test_the_command_records_the_loss_and_names_it_from_then_on(
    cut: Registry, run: Program
) -> None:
    answer = run("use", "S-1", "--count", "3")
    assert answer.code == 58
    assert "--accept-loss REASON" in answer.err
    accepted = run("verify", "--accept-loss", "the disk failed", "--by", "Ada Moss")
    assert accepted.code == 0
    assert "Ada Moss confirmed" in accepted.out
    assert run("use", "S-1", "--count", "3").code == 0
    assert "(the disk failed)" in " ".join(run("verify").out.split())


@file_only
def test_a_backup_that_lacks_known_events_is_restored_and_named(
    run: Program, path: Path, tmp_path: Path
) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("backup", tmp_path / "b.zip")
    run("use", "S-1", "--count", "3")
    path.unlink()
    answer = run("restore", tmp_path / "b.zip")
    assert answer.code == 58
    assert "was restored, but later events are missing" in " ".join(answer.err.split())
    assert run("use", "S-1", "--count", "4").code == 58
    assert run("verify", "--accept-loss", "disk died").code == 0
    assert run("use", "S-1", "--count", "4").code == 0


@file_only
def test_a_place_may_be_used_for_another_registry(run: Program, path: Path) -> None:
    for name in ("S-1", "S-2"):
        assert run("sieve", "add", name, "--nominal", "75um").code == 0
        assert run("verify").code == 0
        path.unlink()


def test_a_journal_that_cannot_be_written_stops_nothing(
    registry: Registry,
    add: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    add()
    assert verification.verify(registry).ok


# --- the guards of a server ---


@pytest.fixture
def on_server(server: Server, clock: Clock) -> Any:
    address = server.database()
    registry = open_registry(address, now=clock)
    yield registry
    registry.close()
    server.drop(address)


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        (GUARD_OFF, "switched off"),
        ("DROP TRIGGER event_no_change ON event", "is missing"),
        (
            "CREATE OR REPLACE FUNCTION event_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RETURN NULL; END $$",
            "was altered",
        ),
        ("CREATE RULE quiet AS ON UPDATE TO event DO INSTEAD NOTHING", "rule 'quiet' was added"),
        ("ALTER TABLE event DISABLE ROW LEVEL SECURITY", "rights to sign are switched off"),
        ("DROP POLICY event_append ON event", "policy 'event_append' of the ledger is missing"),
        ("ALTER POLICY event_append ON event WITH CHECK (true)", "'event_append'.*was altered"),
        ("CREATE POLICY more ON event FOR UPDATE USING (true)", "policy 'more' was added"),
        ("GRANT UPDATE ON event TO PUBLIC", "PUBLIC has rights"),
    ],
)
def test_a_guard_that_was_removed_is_reported(
    on_server: Registry, statement: str, message: str
) -> None:
    assert verification.verify(on_server).ok
    with on_server.engine.begin() as connection:
        connection.exec_driver_sql(statement)
    findings = [f for f in verification.verify(on_server).findings if f.source == "guard"]
    assert len(findings) == 1
    import re

    assert re.search(message, findings[0].message)


def test_recording_waits_for_the_servers_disk(on_server: Registry) -> None:
    """The test server is set to `synchronous_commit=off`, as some servers are."""
    setting = "SHOW synchronous_commit"
    with on_server.reading() as connection:
        assert connection.exec_driver_sql(setting).scalar_one() == "off"
    with on_server.writing() as connection:
        assert connection.exec_driver_sql(setting).scalar_one() == "on"
