"""Registries written by every released version are opened, asked and proven, forever.

1, 2, 4 (of schema 3) and 5 were made once by `make_golden.py` with the code of their time; 3 is the
demo's registry, whose scans lie in `demo_images`; its other pictures are left out for their size.
In 5 checks know their cloth (version 4 of their event).
"""

from __future__ import annotations

import json
import pickle
import shutil
import zipfile
from datetime import date
from pathlib import Path

import pytest

from make_golden import links
from sieve_registry.audit import verification
from sieve_registry.ledger import records
from sieve_registry.outlook.queries import outlook
from sieve_registry.outlook.wear import WearEvidence
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store import engine, reader, schema

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "fixtures" / "registries"
GOLDEN = sorted(FOLDER.glob("*.zip"))
OF_A_SCHEMA, DEMO, CLOTH = [*GOLDEN[:2], GOLDEN[3]], GOLDEN[2], GOLDEN[4]


def test_there_is_a_golden_registry_of_each_version_up_to_this_one() -> None:
    assert len(OF_A_SCHEMA) == int(schema.HEAD_REVISION)
    assert [file.stem for file in GOLDEN] == [f"{n:04d}" for n in range(1, len(GOLDEN) + 1)]


@pytest.mark.parametrize("file", [*OF_A_SCHEMA, CLOTH], ids=lambda file: file.stem)
def test_a_registry_of_that_version_still_reads_the_same(file: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(file) as archive:
        archive.extractall(tmp_path)
    expected = json.loads((tmp_path / "expected.json").read_text())
    registry = engine.open_registry(tmp_path / "registry.sqlite")
    found = verification.verify(registry, expected["head"])
    assert (found.findings, found.events, found.head) == ((), expected["events"], expected["head"])
    states = sieve_queries.states(registry, date(2025, 6, 2))
    assert {
        s.sieve.id: [s.status, s.location, s.uses_total, s.last_check and s.last_check.outcome]
        for s in states
    } == expected["states"]
    means = [str(c.x.mean_um) for c in sieve_queries.get_history(registry, "S-1").checks]
    assert means == expected["means"]
    assert sieve_commands.add_sieve(registry, records.NewSieve("S-9", 75.0)).status == "in service"
    registry.close()


def test_checks_that_know_their_cloth_still_do(tmp_path: Path) -> None:
    with zipfile.ZipFile(CLOTH) as archive:
        archive.extractall(tmp_path)
    registry = engine.open_registry(tmp_path / "registry.sqlite")
    expected = json.loads((tmp_path / "expected.json").read_text())["links"]
    assert links(registry) == expected
    assert [row[:3] for row in expected] == [
        ["S-1", "C-0003", "C-0002"],
        ["S-1", "C-0004", "C-0002"],
        ["S-2", "C-0005", "C-0004"],
    ]
    changes = [float(row[3]) for row in expected]
    assert changes == pytest.approx([0.2, 0.4, 0.0], abs=0.06)  # as woven
    trend = outlook(registry, "S-1").wear.trends[0]
    assert (trend.evidence, trend.changes) == (WearEvidence.CHANGES, 2)
    registry.close()


def test_a_check_read_from_a_registry_can_be_sent_to_another_process(tmp_path: Path) -> None:
    with zipfile.ZipFile(GOLDEN[0]) as archive:
        archive.extractall(tmp_path)
    registry = engine.open_registry(tmp_path / "registry.sqlite")
    check = sieve_queries.get_history(registry, "S-1").checks[0]
    registry.close()
    sent = pickle.loads(pickle.dumps(check))
    assert (sent, sent.x.mean_um) == (check, check.x.mean_um)


def test_the_registry_of_the_demo_still_reads_the_same_and_continues(tmp_path: Path) -> None:
    with zipfile.ZipFile(DEMO) as archive:
        archive.extractall(tmp_path)
    expected = json.loads((tmp_path / "expected.json").read_text())
    for kept, name in expected["from_demo_images"].items():
        (tmp_path / kept).parent.mkdir(exist_ok=True)
        shutil.copyfile(ROOT / "demo_images" / name, tmp_path / kept)
    registry = engine.open_registry(tmp_path / "registry.sqlite")
    found = verification.verify(registry, expected["head"])
    assert (found.events, found.head) == (expected["events"], expected["head"])
    left_out = {Path(file).stem for file in expected["left_out"]}
    assert {finding.source for finding in found.findings} == {"evidence"}
    assert {
        next(sha for sha in left_out if sha in f"{f.subject} {f.message}") for f in found.findings
    } == left_out
    day = date.fromisoformat(expected["day"])
    assert {
        s.sieve.id: [
            s.status,
            s.location,
            s.uses_total,
            s.last_check and s.last_check.outcome,
            s.last_check and s.last_check.action,
            s.due and s.due.isoformat(),
        ]
        for s in sieve_queries.states(registry, day)
    } == expected["states"]
    assert {
        c.id: [
            h.sieve.id,
            c.on_date.isoformat(),
            c.outcome,
            str(c.x.mean_um),
            str(c.y.mean_um),
            str(c.x.max_um),
        ]
        for h in sieve_queries.all_histories(registry)
        for c in h.checks
    } == expected["checks"]
    assert sieve_commands.add_sieve(registry, records.NewSieve("S-9", 75.0)).status == "in service"
    assert verification.verify(registry, expected["head"]).events == expected["events"] + 1
    with registry.reading() as connection:
        hashes = [event.hash for event in reader.events(connection)]
    assert hashes[:-1] == expected["event_hashes"]
    registry.close()
