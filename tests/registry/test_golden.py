"""Registries written by every released version of the schema are opened, asked and proven, forever.

Each was made once by `make_golden.py` with the code of its time.
"""

from __future__ import annotations

import json
import zipfile
from datetime import date
from pathlib import Path

import pytest

from sieve_registry import service
from sieve_registry.store import schema

FOLDER = Path(__file__).parents[2] / "fixtures" / "registries"
GOLDEN = sorted(FOLDER.glob("*.zip"))


def test_there_is_a_golden_registry_of_each_version_up_to_this_one():
    assert [file.stem for file in GOLDEN][-1] == schema.HEAD_REVISION
    assert [file.stem for file in GOLDEN] == [f"{n:04d}" for n in range(1, len(GOLDEN) + 1)]


@pytest.mark.parametrize("file", GOLDEN, ids=lambda file: file.stem)
def test_a_registry_of_that_version_still_says_the_same(file, tmp_path):
    with zipfile.ZipFile(file) as archive:
        archive.extractall(tmp_path)
    expected = json.loads((tmp_path / "expected.json").read_text())
    registry = service.open_registry(tmp_path / "registry.sqlite")
    found = service.verify(registry, expected["head"])
    assert (found.findings, found.events, found.head) == ((), expected["events"], expected["head"])
    states = service.states(registry, date(2025, 6, 2))
    assert {
        s.sieve.id: [s.status, s.location, s.uses_total, s.last_check and s.last_check.outcome]
        for s in states
    } == expected["states"]
    means = [str(c.x.mean_um) for c in service.get_history(registry, "S-1").checks]
    assert means == expected["means"]
    assert service.add_sieve(registry, service.NewSieve("S-9", 75.0)).status == "in service"
    registry.close()
