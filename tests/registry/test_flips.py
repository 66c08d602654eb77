"""One flipped byte anywhere is found: in the registry file, its note, evidence, backups, exports.

"Anywhere" is meant: bytes of the file in which SQLite keeps nothing, and a .zip's own dates, too.
Places and flips are drawn from a fixed seed, so a failure can be looked at again.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from sieve_inspect.errors import SievewardError
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.errors import ArchiveError
from sieve_registry.exchange import archive
from sieve_registry.ledger import records
from sieve_registry.ledger.proof import Verification
from sieve_registry.ledger.records import UseDetails
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import stacks
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry

DATABASES = ("sqlite",)
ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def everything(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], path: Path
) -> Path:
    """One small registry with a row in every table, closed."""
    add(in_service=date(2026, 1, 1), maker="Meadow Works")
    check()
    sieve_commands.edit_sieve(registry, "S-1", location="shelf 2")
    sieve_commands.log_use(registry, "S-1", 3, details=UseDetails(method="wet"))
    check_commands.sign_check(registry, "C-0001", "", RecordTerms(by="Bo Reed"))
    stacks.add(registry, "sand", ["S-1"], ADA)
    quality_corrections.correct(registry, "4", {"count": "4"}, "a slip", ADA)
    sieve_commands.retire(registry, "S-1", "torn")
    registry.close()
    return path


def places(size: int, first: int, spread: int) -> list[int]:
    """Every one of the first bytes, and `spread` others."""
    others = range(min(first, size), size)
    return [*range(min(first, size)), *random.Random(1).sample(others, min(spread, len(others)))]


def missed(file: Path, where: list[int] | range, found: Callable[..., bool]) -> list[Any]:
    """The places at which another byte was not found out; the file is put back."""
    whole, chance, left = file.read_bytes(), random.Random(2), []
    for place in where:
        other = whole[place] ^ chance.choice([1, 2, 4, 8, 16, 32, 64, 128, chance.randint(1, 255)])
        file.write_bytes(whole[:place] + bytes([other]) + whole[place + 1 :])
        if not found():
            left.append(place)
    file.write_bytes(whole)
    assert not found()
    print(f"{file.name}: {len(where)} of {len(whole)} bytes flipped, {len(left)} not found")
    return left


def proven_wrong(path: Path, clock: Clock) -> Callable[..., bool]:
    """Whether opening and proving the registry tells that something is wrong."""

    def found() -> bool:
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        try:
            registry = open_registry(path, now=clock)
            try:
                return not verification.verify(registry).ok
            finally:
                registry.close()
        except SievewardError:  # refused to open: told as well
            return True

    return found


@pytest.mark.long
def test_any_byte_of_the_file(everything: Path, clock: Clock) -> None:
    where = places(everything.stat().st_size, 100, 1000)
    assert missed(everything, where, proven_wrong(everything, clock)) == []


def test_any_byte_of_the_note_beside_it(everything: Path, clock: Clock) -> None:
    note = everything.with_suffix(".head")
    assert missed(note, range(note.stat().st_size), proven_wrong(everything, clock)) == []


def test_any_byte_of_the_evidence(everything: Path, clock: Clock) -> None:
    files = [p for p in everything.with_suffix(".evidence").rglob("*") if p.is_file()]
    assert len(files) == 6
    for file in files:
        file.chmod(0o644)
        where = places(file.stat().st_size, 4, 12)
        assert missed(file, where, proven_wrong(everything, clock)) == []


@pytest.fixture
def opened(everything: Path, clock: Clock) -> Iterator[Registry]:
    again = open_registry(everything, now=clock)
    yield again
    again.close()


def unproven(source: Path) -> Callable[..., bool]:
    def found() -> bool:
        try:
            archive.prove(source)
        except ArchiveError:
            return True
        return False

    return found


def test_any_byte_of_a_backup(opened: Registry, tmp_path: Path) -> None:
    kept = tmp_path / "kept.zip"
    archive.export_all(opened, kept)
    size = kept.stat().st_size
    where = {*places(size, 60, 800), *range(size - 120, size)}  # the ends, and between
    assert missed(kept, sorted(where), unproven(kept)) == []


@pytest.mark.parametrize("name", ["events.jsonl", "manifest.json"])
def test_any_byte_of_an_export(opened: Registry, tmp_path: Path, name: str) -> None:
    out = tmp_path / "out"
    archive.export_all(opened, out)
    file = out / name
    assert missed(file, places(file.stat().st_size, 300, 300), unproven(out)) == []


def test_what_is_refused_by_the_proof_is_not_restored(
    opened: Registry, make_registry: Callable[[str], Registry], tmp_path: Path
) -> None:
    kept = tmp_path / "kept.zip"
    archive.export_all(opened, kept)
    data = bytearray(kept.read_bytes())
    data[10] ^= 1  # the time of the first file in it: nothing reads it
    kept.write_bytes(data)
    empty = make_registry("other")
    with pytest.raises(ArchiveError, match="altered after it was written"):
        archive.import_all(empty, kept)
    assert verification.ledger_head(empty) == (0, None)


# --- the seal behind it: it must find, and must never cry wolf ---


def verify(path: Path, clock: Clock) -> Verification:
    registry = open_registry(path, now=clock)
    found = verification.verify(registry)
    registry.close()
    return found


def last_byte_of_a_gap(path: Path) -> int:
    """A byte between the cells of the first table page that is zero and never read."""
    data = path.read_bytes()
    size = int.from_bytes(data[16:18], "big")
    for start in range(size, len(data), size):
        cells = int.from_bytes(data[start + 3 : start + 5], "big")
        content = int.from_bytes(data[start + 5 : start + 7], "big")
        if data[start] in (10, 13) and content - (8 + 2 * cells) > 100:
            return start + content - 50
    raise AssertionError("no gap")


def flip(path: Path, place: int) -> None:
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)


def test_a_change_of_unused_file_space_is_reported(everything: Path, clock: Clock) -> None:
    flip(everything, last_byte_of_a_gap(everything))
    found = verify(everything, clock)
    assert (found.sealed, [f.subject for f in found.findings]) == (True, ["registry file"])
    assert "unused space" in found.findings[0].message


def test_while_another_has_it_open_there_is_no_seal_and_no_false_finding(
    everything: Path, clock: Clock, add: Callable[..., Any]
) -> None:
    other = open_registry(everything, now=clock)
    with other.reading() as reading:
        reading.exec_driver_sql("SELECT 1 FROM event").fetchall()
        writing = open_registry(everything, now=clock)
        sieve_commands.add_sieve(writing, records.NewSieve("S-2", 75.0))
        writing.close()
        found = verify(everything, clock)
        assert (found.ok, found.sealed) == (True, False)  # the newest pages wait in the log
    assert verify(everything, clock).ok
    assert verify(everything, clock).sealed is True  # closed once alone, it is sealed again


def test_a_program_that_was_stopped_leaves_no_seal_and_the_next_one_sets_it(
    everything: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as stopped:
        stopped.setattr("sieve_registry.store.engine.seal", lambda *_: None)
        registry = open_registry(everything, now=clock)
        sieve_commands.add_sieve(registry, records.NewSieve("S-2", 75.0))
        registry.close()
    assert [verify(everything, clock).sealed for _ in range(2)] == [False, True]


def test_a_damaged_note_is_not_mended_silently(everything: Path, clock: Clock) -> None:
    note = everything.with_suffix(".head")
    note.write_text(note.read_text().replace(" ", "\t"))
    for _ in range(2):
        found = verify(everything, clock)
        assert [f.message for f in found.findings] == [
            "the note beside the registry file was damaged"
        ]


def test_a_file_repacked_by_another_program_is_reported(everything: Path, clock: Clock) -> None:
    connection = sqlite3.connect(everything)
    connection.execute("VACUUM")
    connection.close()
    assert not verify(everything, clock).ok


def test_renamed_columns_are_reported(everything: Path, clock: Clock) -> None:
    """What one flipped byte in the text of a table does: the number of an event is a hash."""
    connection = sqlite3.connect(everything, isolation_level=None)
    (text,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'event'").fetchone()
    swapped = text.replace("seq", "#").replace("hash", "seq").replace("#", "hash")
    connection.execute("PRAGMA writable_schema=ON")
    connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'event'", (swapped,))
    connection.close()
    found = verify(everything, clock)
    assert not found.ok
    assert "registry file" in {f.subject for f in found.findings}


def test_a_file_brought_up_to_date_is_sealed_anew(
    everything: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    registry = open_registry(everything, now=clock)
    note = registry.head_note
    sealed = note.read_text()
    monkeypatch.setattr("sieve_registry.store.engine.HEAD_REVISION", "another")
    monkeypatch.setattr("sieve_registry.store.engine.upgrade", lambda *_: None)
    open_registry(everything, now=clock).close()  # rewrites its description
    monkeypatch.undo()
    assert len(note.read_text().split()) == 3
    assert note.read_text().split()[:2] == sealed.split()[:2]
    assert verify(everything, clock).ok
