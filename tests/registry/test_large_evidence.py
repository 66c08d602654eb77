"""Evidence goes through record, verify, backup and restore piece by piece."""

from __future__ import annotations

import gc
import hashlib
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select

from clock import Clock
from postgres_server import Server
from sieve_registry.audit import verification
from sieve_registry.errors import EvidenceAlteredError, EvidenceError
from sieve_registry.exchange import archive
from sieve_registry.ledger.events import RecordsImported
from sieve_registry.sieves.facts import record_with_evidence
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import evidence, schema
from sieve_registry.store.engine import Registry, open_registry
from sieve_registry.store.evidence import DatabaseEvidence

BLOCK = 1 << 16
SIZE = 160 * BLOCK + 17  # 10 MB in blocks of 64 kB: as 2 GB in blocks of 13 MB
MOST = 3_000_000  # bytes held at once; one copy of the file would be three times as much


@pytest.fixture
def in_database(
    server: Server, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Registry]:
    """A registry on a server that keeps its evidence in the database, in small chunks."""
    monkeypatch.setattr(evidence, "_BLOCK", BLOCK)
    monkeypatch.setattr(archive, "_BLOCK", BLOCK)
    address = server.database()
    registry = open_registry(address, now=clock)
    yield registry
    registry.close()
    server.drop(address)


def peak_of(work: Callable[[], object]) -> int:
    """The most memory (bytes) that Python held while doing it."""
    gc.collect()
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.long
def test_a_large_file_is_never_held_whole(
    in_database: Registry, tmp_path: Path, clock: Clock
) -> None:
    scan, out = tmp_path / "scan.tif", tmp_path / "backup.zip"
    scan.write_bytes(hashlib.shake_256(b"scan").digest(SIZE))
    payload: Any = RecordsImported(file="x", what="y", rows=1)
    terms = RecordTerms(by="Ada Moss")
    back = open_registry(tmp_path / "back" / "registry.sqlite", create=True, now=clock)
    steps: dict[str, Callable[[], object]] = {
        "record": lambda: record_with_evidence(
            in_database, "s", payload, terms, [(scan, "scan", "scan.tif")]
        ),
        "verify": lambda: verification.verify(in_database),
        "backup": lambda: archive.export_all(in_database, out),
        "prove": lambda: archive.prove(out),
        "restore": lambda: archive.import_all(back, out),
    }
    for name, step in steps.items():
        assert peak_of(step) < MOST, name
    assert verification.verify(in_database).ok
    assert verification.verify(back).ok
    with in_database.reading() as connection:
        chunks = connection.execute(select(schema.evidence_chunk.c.position)).scalars().all()
    assert sorted(chunks) == list(range(161))
    back.close()


def test_content_kept_whole_by_an_earlier_version_is_read(in_database: Registry) -> None:
    data = hashlib.shake_256(b"old").digest(3 * BLOCK + 5)
    sha256 = hashlib.sha256(data).hexdigest()
    with in_database.engine.begin() as connection:
        row = {"sha256": sha256, "content": data}
        connection.execute(insert(schema.evidence_content), row)
    assert in_database.evidence.read(sha256, ".tif") == data
    assert max(map(len, in_database.evidence.blocks(sha256, ".tif"))) == BLOCK


def test_a_chunk_that_is_missing_or_changed_is_found(in_database: Registry) -> None:
    store = in_database.evidence
    assert isinstance(store, DatabaseEvidence)
    staged = store.stage(b"x" * (2 * BLOCK), ".tif")
    with in_database.engine.begin() as connection:
        assert store.place(staged, ".tif", connection)
        connection.exec_driver_sql("DELETE FROM evidence_chunk WHERE position = 1")
    with pytest.raises(EvidenceAlteredError):
        store.read(staged.sha256, ".tif")
    with in_database.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM evidence_chunk")
    with pytest.raises(EvidenceError, match="not in the database"):
        store.read(staged.sha256, ".tif")


def test_an_empty_file_is_kept_too(in_database: Registry) -> None:
    store = in_database.evidence
    staged = store.stage(b"", ".txt")
    with in_database.engine.begin() as connection:
        assert store.place(staged, ".txt", connection)
    assert store.read(staged.sha256, ".txt") == b""
