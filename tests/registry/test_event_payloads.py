"""Every kind of event has one dataclass, one version and one codec; written bytes stay."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
import zipfile
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from sieve_registry.ledger import codec, events
from sieve_registry.ledger.canonical import canonical_text

FIXTURES = sorted((Path(__file__).parents[2] / "fixtures" / "registries").glob("*.zip"))
RELEASED = {
    "action decided": 1,
    "artefact added": 1,
    "authorisation given": 1,
    "authorisation withdrawn": 1,
    "certificate recorded": 1,
    "check recorded": 7,
    "check signed": 1,
    "cloth replaced": 1,
    "decision rule set": 1,
    "device added": 2,
    "environment limits set": 1,
    "equipment added": 1,
    "equipment edited": 1,
    "equipment event": 1,
    "equipment trouble reported": 1,
    "finding answered": 1,
    "finding closed": 1,
    "finding raised": 2,
    "head signed": 1,
    "head stamped": 1,
    "illumination measured": 2,
    "interval decided": 1,
    "laboratory rules set": 2,
    "loss accepted": 1,
    "password set": 1,
    "person added": 1,
    "person changed": 1,
    "person left": 1,
    "proof rules set": 2,
    "record corrected": 1,
    "records imported": 1,
    "reference check recorded": 2,
    "repeatability study recorded": 1,
    "report issued": 1,
    "report withdrawn": 1,
    "result reviewed": 1,
    "scale calibrated": 1,
    "scale chain corrected": 1,
    "sieve added": 2,
    "sieve cleaned": 1,
    "sieve edited": 2,
    "sieve quarantined": 1,
    "sieve retired": 1,
    "sieve returned": 1,
    "stack run": 1,
    "stack set": 1,
    "use logged": 2,
    "validation recorded": 1,
}


def written(file: Path, folder: Path) -> list[tuple[str, str]]:
    """Kind and payload of every event in a fixture."""
    with zipfile.ZipFile(file) as archive:
        path = archive.extract("registry.sqlite", folder)
    connection = sqlite3.connect(path)
    try:
        return connection.execute("SELECT kind, payload FROM event ORDER BY seq").fetchall()
    finally:
        connection.close()


def defined() -> set[type[codec.EventPayload]]:
    """Every public payload class of the events module."""
    classes = {value for value in vars(events).values() if isinstance(value, type)}
    payloads = {one for one in classes if issubclass(one, codec.EventPayload)}
    return {one for one in payloads if one.KIND}


@pytest.mark.parametrize("file", FIXTURES, ids=lambda file: file.stem)
def test_every_written_event_keeps_its_bytes_through_its_dataclass(
    file: Path, tmp_path: Path
) -> None:
    rows = written(file, tmp_path)
    assert rows
    for kind, text in rows:
        payload = events.decode(kind, json.loads(text))
        assert type(payload) is events.KINDS[kind]
        assert canonical_text(payload.to_payload()) == text


def test_each_kind_has_one_dataclass_and_one_version() -> None:
    assert len(events.EVENT_TYPES) == len(events.KINDS) == len(set(events.EVENT_TYPES))
    assert set(events.EVENT_TYPES) == defined()
    assert {one.KIND: one.VERSION for one in events.EVENT_TYPES} == RELEASED
    for one in events.EVENT_TYPES:
        assert dataclasses.is_dataclass(one)
        assert one.__dataclass_params__.frozen, one  # type: ignore[attr-defined]


def test_each_kind_has_one_codec() -> None:
    names = {"to_payload", "from_payload"}
    assert [one for one in events.EVENT_TYPES if names & set(vars(one))] == []


def test_a_field_of_a_later_version_may_be_missing_and_belongs_to_that_version() -> None:
    for one in events.EVENT_TYPES:
        since = [field.metadata.get("since", 1) for field in dataclasses.fields(one)]
        assert max(since) <= one.VERSION, one
        for field in dataclasses.fields(one):
            assert field.metadata.get("since", 1) == 1 or field.metadata["optional"], field.name


def test_what_a_later_version_adds_is_kept_and_written_back() -> None:
    payload = {"reason": "worn", "approved": {"by": "Ada Moss"}}
    read = events.SieveRetired.from_payload(payload)
    assert (read.reason, read.other) == ("worn", {"approved": {"by": "Ada Moss"}})
    assert read.to_payload() == payload


def test_what_an_earlier_version_lacks_stays_left_out() -> None:
    earlier = {"interval_months": 6, "interval_uses": None, "location": "shelf 2"}
    read = events.SieveEdited.from_payload(earlier)
    assert read.details is None
    assert read.to_payload() == earlier
    assert dataclasses.replace(read, details={}).to_payload() == {**earlier, "details": {}}


def test_exact_values_are_texts() -> None:
    use = events.UseLogged(count=3, note="", mass_g=Decimal("100.50"), late_reason="found later")
    text = {"count": 3, "note": "", "mass_g": "100.50", "why_late": "found later"}
    assert use.to_payload() == text
    assert events.UseLogged.from_payload(text) == use
    added = events.ArtefactAdded(
        kind="dots",
        nominal_pitch_um=None,
        pitch_um=400.0,
        nominal_line_um=None,
        line_um=None,
        expanded_pitch_um=0.04,
        expanded_line_um=0.0,
        k=2,
        expansion_ppm_per_k=None,
        certificate="EX-1",
        laboratory="Example Metrology",
        valid_from=date(2026, 1, 2),
        valid_to=date(2027, 1, 1),
    )
    kept = added.to_payload()
    assert (kept["pitch_um"], kept["k"], kept["valid_from"]) == ("400.0", 2, "2026-01-02")
    assert events.ArtefactAdded.from_payload(kept) == added


@pytest.mark.parametrize(
    ("payload", "error"),
    [
        ({}, KeyError),
        ({"reason": None}, TypeError),
        ({"reason": 3}, TypeError),
        ({"reason": "dented", "damage": "yes"}, TypeError),
    ],
)
def test_a_damaged_payload_is_refused(payload: dict[str, Any], error: type[Exception]) -> None:
    with pytest.raises(error):
        events.SieveQuarantined.from_payload(payload)
