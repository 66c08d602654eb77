"""A registry moved whole keeps its chain: exported, backed up, restored, and nothing half-way."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from program import Program
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import ArchiveError, BrokenRecordError, EvidenceError
from sieve_registry.exchange import archive
from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.ledger.records import Event, UseDetails
from sieve_registry.ledger.signing import new_key
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import EvidenceStore

DATABASES = ("sqlite", "postgres", "postgres-inside")  # the last keeps evidence in itself
ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def full(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], tmp_path: Path
) -> Registry:
    """A registry with every kind of event."""
    add(in_service=date(2026, 1, 1), location="=1+1")
    add("S-2 🧪")
    check(on="2026-02-01")
    sieve_commands.quarantine(registry, "S-1", "dropped", ADA)
    check()
    check_commands.sign_check(registry, "C-0002", "", RecordTerms(by="Bo Reed"))
    sieve_commands.return_to_service(registry, "S-1", "flat", ADA)
    sieve_commands.clean(registry, "S-1", "brush", "", ADA)
    stacks.add(registry, "sand", ["S-1", "S-2 🧪"], ADA)
    stacks.run(registry, "sand", UseDetails(method="wet"), ADA)
    quality_corrections.correct(registry, "C-0001", {}, "another sieve", ADA, void=True)
    audit_commands.demand_sign_off(registry, True, ADA)
    new_key(tmp_path / "lab.pem")
    audit_commands.sign_head(registry, tmp_path / "lab.pem", ADA)
    sieve_commands.retire(registry, "S-2 🧪", "torn")
    return registry


@pytest.fixture
def empty(make_registry: Callable[[str], Registry]) -> Registry:
    return make_registry("other")


@pytest.mark.parametrize("name", ["moved", "moved.zip"])
def test_an_export_read_in_again_has_the_same_head_and_answers(
    full: Registry, empty: Registry, tmp_path: Path, name: str
) -> None:
    out = tmp_path / "out" / name
    told = archive.export_all(full, out)
    assert (told.events, told.head) == verification.ledger_head(full)
    archive.prove(out)
    assert archive.import_all(empty, out) == told
    assert verification.ledger_head(empty) == verification.ledger_head(full)
    assert sieve_queries.all_histories(empty) == sieve_queries.all_histories(full)
    assert verification.verify(empty, told.head).ok
    again = archive.export_all(empty, tmp_path / "again")
    assert (again.events, again.head) == (told.events, told.head)


def test_an_export_of_the_version_before_is_still_read(
    full: Registry, empty: Registry, tmp_path: Path
) -> None:
    """`sieveward.export/1`: the manifest indented, without a hash of itself."""
    out = tmp_path / "out"
    told = archive.export_all(full, out)
    manifest = {"schema": "sieveward.export/1", **told.__dict__}
    (out / "manifest.json").write_text(json.dumps(manifest, indent=1))
    assert archive.import_all(empty, out) == told
    (out / "manifest.json").write_text(json.dumps({**manifest, "schema": "sieveward.export/3"}))
    with pytest.raises(ArchiveError, match="another version"):
        archive.prove(out)


def test_the_events_are_lines_of_json_in_order(full: Registry, tmp_path: Path) -> None:
    archive.export_all(full, tmp_path / "out")
    lines = (tmp_path / "out" / "events.jsonl").read_text("utf-8").splitlines()
    seqs = [json.loads(line)["seq"] for line in lines]
    assert seqs == list(range(1, verification.ledger_head(full)[0] + 1))
    assert lines[0] == canonical_text(json.loads(lines[0]))


def test_a_registry_with_something_in_it_is_not_read_into(
    full: Registry, registry: Registry, tmp_path: Path
) -> None:
    archive.export_all(full, tmp_path / "out")
    with pytest.raises(ArchiveError, match="events already"):
        archive.import_all(full, tmp_path / "out")


def test_an_export_is_not_written_over_another(full: Registry, tmp_path: Path) -> None:
    archive.export_all(full, tmp_path / "out")
    with pytest.raises(ArchiveError, match="exists already"):
        archive.export_all(full, tmp_path / "out")


def edit_line(out: Path, number: int, change: Callable[[str], str]) -> None:
    path = out / "events.jsonl"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    lines[number] = change(lines[number])
    path.write_text("".join(lines), "utf-8", newline="\n")


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda out: edit_line(out, 2, lambda text: text.replace("Ada", "Eve")), "event 3"),
        (lambda out: edit_line(out, 2, lambda _: ""), "event 3 is missing"),
        (lambda out: edit_line(out, 2, lambda _: "{}\n"), "line 3"),
        (lambda out: edit_line(out, -1, lambda _: ""), "manifest states"),
        (lambda out: (out / "events.jsonl").unlink(), "damaged"),
        (lambda out: (out / "manifest.json").write_text("{"), "manifest"),
        (lambda out: next((out / "evidence").rglob("*.tif")).unlink(), "lacks evidence"),
        (lambda out: next((out / "evidence").rglob("*.tif")).write_bytes(b"x"), "altered evidence"),
    ],
)
def test_an_altered_export_is_not_imported(
    full: Registry, empty: Registry, tmp_path: Path, change: Callable[[Path], object], reason: str
) -> None:
    out = tmp_path / "out"
    archive.export_all(full, out)
    change(out)
    with pytest.raises(ArchiveError, match=reason):
        archive.import_all(empty, out)
    with pytest.raises(ArchiveError):
        archive.prove(out)
    assert verification.ledger_head(empty) == (0, None)
    assert verification.verify(empty).ok
    assert sieve_queries.states(empty) == []


def test_evidence_named_outside_the_export_is_refused(
    registry: Registry,
    empty: Registry,
    tmp_path: Path,
    add: Callable[..., Any],
    check: Callable[..., Any],
) -> None:
    add()
    check()
    out = tmp_path / "out"
    archive.export_all(registry, out)
    from sieve_registry.ledger import chain

    lines = (out / "events.jsonl").read_text("utf-8").splitlines()
    events = [json.loads(line) for line in lines]
    payload = json.loads(events[1]["payload"])
    for file in payload["evidence"]:
        file["extension"] = "/../../../evil"
    events[1]["payload"] = canonical_text(payload)
    events[1]["hash"] = chain.event_hash(Event(**events[1]))
    (out / "events.jsonl").write_text("".join(canonical_text(e) + "\n" for e in events), "utf-8")
    manifest = json.loads((out / "manifest.json").read_text())
    del manifest["schema"], manifest["sha256"]
    forged = archive.Manifest(**{**manifest, "head": events[1]["hash"]})
    (out / "manifest.json").write_bytes(archive._manifest_bytes(forged))
    with pytest.raises(ArchiveError, match="no registry writes"):
        archive.import_all(empty, out)


def test_a_broken_registry_does_not_become_a_backup(
    full: Registry, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sieve_registry.ledger import chain

    monkeypatch.setattr(chain, "event_hash", lambda _: "0" * 64)
    with pytest.raises(BrokenRecordError, match="event 1"):
        archive.export_all(full, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


def test_missing_evidence_stops_a_backup(full: Registry, tmp_path: Path) -> None:
    scan = check_queries.get_check(full, "1").evidence[0]
    remove_evidence(full, scan.sha256, scan.extension)
    with pytest.raises(EvidenceError):
        archive.export_all(full, tmp_path / "out.zip")
    assert list(tmp_path.glob("*.zip")) == []


def remove_evidence(registry: Registry, sha256: str, extension: str) -> None:
    from sqlalchemy import delete

    from sieve_registry.store import schema

    if isinstance(registry.evidence, EvidenceStore):
        registry.evidence.path_of(sha256, extension).unlink()
    else:
        table = schema.evidence_chunk
        with registry.engine.begin() as connection:
            connection.execute(delete(table).where(table.c.sha256 == sha256))


def test_backup_and_restore_as_typed(run: Program, scan: Path, tmp_path: Path) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("check", "S-1", str(scan), "--um-per-px", "5.29")
    kept = tmp_path / "kept.zip"
    assert "Backed up 2 events and 6 evidence files" in run("backup", str(kept)).out
    assert zipfile.ZipFile(kept).testzip() is None
    head = json.loads(run("verify", "--json", "-").out)["head"]
    elsewhere = str(tmp_path / "elsewhere" / "lab.sqlite")
    back = json.loads(run("restore", str(kept), "--json", "-", registry=elsewhere).out)
    assert (back["ok"], back["head"]) == (True, head)
    assert run("verify", "--head", head, registry=elsewhere).code == 0
    assert run("restore", str(kept), registry=elsewhere).code == 46
    assert run("backup", str(tmp_path / "kept")).code == 2
    assert run("backup", str(kept)).code == 46
    kept.write_bytes(kept.read_bytes()[:2000])
    broken = run("restore", str(kept), registry=str(tmp_path / "x" / "r.sqlite"))
    assert broken.code == 46
    assert not (tmp_path / "x").exists()
