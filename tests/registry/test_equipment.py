"""Equipment of any kind: its record, its events, its state, and what it stops (17025, 6.4.13)."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clock import Clock
from program import Program
from registry_made import SCALE, copy_empty
from sieve_inspect.errors import UsageError
from sieve_registry.audit.queries import audit
from sieve_registry.errors import BadTextError
from sieve_registry.ledger.records import NewSieve
from sieve_registry.people import commands as people
from sieve_registry.people.acts import Act, Demand
from sieve_registry.people.errors import NotAuthorisedError
from sieve_registry.quality import corrections, references
from sieve_registry.quality.reference_rules import cement
from sieve_registry.scales import equipment
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.equipment import Equipment, NewEquipment
from sieve_registry.scales.equipment_use import cautions, optics_of
from sieve_registry.scales.errors import (
    DuplicateThingError,
    EquipmentRefusedError,
    UnknownThingError,
)
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry

ADA = "Ada Moss"


@pytest.fixture
def registry(tmp_path: Path, empty_registry: Path) -> Any:
    copy_empty(empty_registry, tmp_path / "registry.sqlite")
    made = open_registry(tmp_path / "registry.sqlite", create=True, now=Clock(date(2026, 6, 1)))
    yield made
    made.close()


def add(registry: Registry, name: str = "SCAN-1", **changes: Any) -> Equipment:
    given = {"kind": "device", "received": date(2026, 1, 5), **changes}
    return equipment.add_equipment(registry, NewEquipment(id=name, **given), RecordTerms(by=ADA))


def log(registry: Registry, act: str, day: int, name: str = "SCAN-1", **more: Any) -> Equipment:
    terms = RecordTerms(date(2026, 2, day), ADA)
    return equipment.log_equipment(registry, name, act, terms, **more)


def test_optics_are_those_of_a_device_until_it_is_repaired(registry: Registry) -> None:
    add(registry)
    link = {"scale": {"device": "SCAN-1", "setting": "4800 dpi"}}
    scale, days = CheckScale(SCALE, link), [date(2026, 2, n) for n in (5, 20)]
    assert optics_of(registry, CheckScale(SCALE), days[0]) == ""
    assert optics_of(registry, scale, days[0]) == "SCAN-1, 4800 dpi"
    log(registry, "check", 8, outcome="pass")
    assert optics_of(registry, scale, days[1]) == "SCAN-1, 4800 dpi"
    log(registry, "repair", 10, note="new lamp")
    assert optics_of(registry, scale, days[0]) == "SCAN-1, 4800 dpi"
    assert optics_of(registry, scale, days[1]) == "SCAN-1, 4800 dpi, since event 3"


def at(registry: Registry, day: int, name: str = "SCAN-1") -> Equipment:
    return equipment.equipment_named(registry, name, date(2026, 2, day))


def test_the_record_holds_what_6_4_13_asks(registry: Registry) -> None:
    stated: dict[str, Any] = {
        "maker": "Example Optics", "model": "Flat 3", "serial": "SN-7", "firmware": "1.02",
        "driver": "scan driver 4.1", "place": "bench 2", "criterion": "scale within 0.05 %",
        "names": ("SCAN-1-2400", "SCAN-1-4800"), "next_due": date(2026, 12, 1),
    }  # fmt: skip
    made = add(registry, **stated)
    assert {name: getattr(made, name) for name in stated} == stated
    assert (made.state, made.received) == ("in use", date(2026, 1, 5))
    with pytest.raises(DuplicateThingError):
        add(registry)
    with pytest.raises(UnknownThingError):
        equipment.equipment_named(registry, "SCAN-2")


def test_a_doubt_stays_until_a_passed_check(registry: Registry) -> None:
    add(registry)
    log(registry, "damage", 2, note="lid cracked")
    assert at(registry, 1).doubt == ""
    assert at(registry, 2).doubt == "damaged on 2026-02-02: lid cracked"
    log(registry, "repair", 4, note="new lid")
    assert at(registry, 4).doubt == "repaired on 2026-02-04, not checked since: new lid"
    log(registry, "check", 5, outcome="fail")
    assert at(registry, 5).doubt == "failed its check of 2026-02-05"
    log(registry, "check", 6, outcome="pass", next_due=date(2026, 8, 6))
    now = at(registry, 6)
    assert (now.doubt, now.due, [f.payload.act for f in now.log]) == (
        "", date(2026, 8, 6), ["damage", "repair", "check", "check"],
    )  # fmt: skip


def test_quarantine_ends_only_after_a_passed_check(registry: Registry) -> None:
    add(registry)
    log(registry, "check", 1, outcome="pass")
    log(registry, "quarantine", 2, note="stripes in the scan")
    with pytest.raises(UsageError, match="already"):
        log(registry, "quarantine", 3, note="again")
    with pytest.raises(UsageError, match="no passed check since its quarantine of 2026-02-02"):
        log(registry, "return", 3, note="looks good")
    log(registry, "check", 4, outcome="pass")
    log(registry, "return", 4, note="stripes gone")
    assert (at(registry, 3).state, at(registry, 4).state) == ("quarantined", "in use")
    log(registry, "retirement", 9, note="sold")
    assert at(registry, 9).due is None
    with pytest.raises(UsageError, match="retired"):
        log(registry, "check", 10, outcome="pass")


def test_a_device_in_quarantine_is_refused_and_a_damaged_one_is_noted(registry: Registry) -> None:
    add(registry, names=("SCAN-1-4800",), next_due=date(2026, 2, 8))
    log(registry, "damage", 2, note="lid cracked")
    sentences = cautions(registry, ["SCAN-1-4800", None, "OTHER"], date(2026, 2, 9))
    assert sentences == [
        "SCAN-1-4800: damaged on 2026-02-02: lid cracked",
        "SCAN-1-4800: its check was due on 2026-02-08",
    ]
    log(registry, "quarantine", 10, note="lid cracked")
    with pytest.raises(EquipmentRefusedError, match="quarantined since 2026-02-10"):
        cautions(registry, ["scan-1-4800"], date(2026, 2, 10))
    assert len(cautions(registry, ["SCAN-1"], date(2026, 2, 9))) == 2  # the day before


def test_edits_count_from_their_day_and_corrections_from_the_start(registry: Registry) -> None:
    add(registry, place="bench 1")
    day = RecordTerms(date(2026, 2, 5), ADA)
    equipment.edit_equipment(registry, "SCAN-1", {"place": "bench 2", "firmware": "1.03"}, day)
    assert (at(registry, 4).place, at(registry, 5).place) == ("bench 1", "bench 2")
    with pytest.raises(UsageError, match="'colour' cannot be changed"):
        equipment.edit_equipment(registry, "SCAN-1", {"colour": "grey"}, day)
    with pytest.raises(BadTextError, match="name of equipment"):
        equipment.edit_equipment(registry, "SCAN-1", {"names": f"SCAN-2, {'x' * 100}"}, day)
    seq = str(at(registry, 5).seq)
    corrections.correct(registry, seq, {"serial": "SN-8"}, "misread", RecordTerms(by=ADA))
    assert at(registry, 4).serial == "SN-8"
    corrections.correct(registry, seq, {}, "never ours", RecordTerms(by=ADA), void=True)
    assert equipment.recorded_equipment(registry) == []


def test_what_is_due_comes_soonest_first_and_expiry_counts(registry: Registry) -> None:
    add(registry, "BEADS-3", kind="reference-material", valid_to=date(2026, 5, 31))
    add(registry, "BAL-1", kind="balance", next_due=date(2026, 7, 1))
    add(registry, "SHAKER", kind="shaker")
    due = equipment.due_equipment(registry)
    assert [(p.id, p.overdue, p.expired) for p in due] == [
        ("BEADS-3", True, True), ("BAL-1", False, False),
    ]  # fmt: skip
    assert [p.id for p in equipment.due_equipment(registry, within_days=7)] == ["BEADS-3"]


def test_the_command_line_keeps_equipment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = Program(monkeypatch, capsys, tmp_path / "registry.sqlite", ("equipment",))
    paper = tmp_path / "balance.pdf"
    paper.write_bytes(b"%PDF-1.7")
    added = run(
        *("add", "BAL-1", "--kind", "balance", "--maker", "Example Scales", "--model", "B 200"),
        *("--serial", "99", "--received", "2026-01-05", "--next-due", "2026-02-01", "--by", ADA),
    )
    assert "To withdraw it: sieveward correct" in added.out
    logged = run(
        *("log", "BAL-1", "check", "--outcome", "pass", "--note", "100.00 g reads 100.00 g"),
        *("--next-due", "2027-01-05", "--file", paper, "--date", "2026-01-10", "--json", "-"),
    )
    (event,) = json.loads(logged.out)["log"]
    assert (event["act"], event["outcome"], event["next_due"]) == ("check", "pass", "2027-01-05")
    assert event["evidence"][0]["name"] == "balance.pdf"
    assert run("edit", "BAL-1", "--set", "place=room 3").code == 0
    assert "room 3" in run("show", "BAL-1", "--documents", tmp_path / "papers").out
    assert [file.read_bytes() for file in (tmp_path / "papers").iterdir()] == [b"%PDF-1.7"]
    assert "2027-01-05" in run("list").out
    assert "conforms" not in run("show", "BAL-1").out
    due = Program(monkeypatch, capsys, tmp_path / "registry.sqlite", ("due",))
    (piece,) = json.loads(due("--json", "-").out)["equipment"]
    assert (piece["id"], piece["due"]) == ("BAL-1", "2027-01-05")
    assert "Equipment due" in due().out


def test_trouble_is_reported_by_anybody_and_ended_by_the_authorised(registry: Registry) -> None:
    add(registry)
    by = RecordTerms(by=ADA)
    people.add_person(registry, people.NewPerson("AM", ADA, "head", "degree"), by)
    people.authorise(registry, "AM", Act.MANAGE, by, basis="training")
    people.set_rules(registry, by, authorisations=Demand.DEMAND)
    log(registry, "damage", 2, note="lid cracked")
    log(registry, "quarantine", 2, note="lid cracked")
    with pytest.raises(NotAuthorisedError):
        log(registry, "check", 3, outcome="pass")


# --- reference materials and the audit ----------------------------------------------------------


@pytest.fixture
def sieve(registry: Registry) -> str:
    new = NewSieve("S-1", 75.0, in_service=date(2026, 1, 5))
    sieve_commands.add_sieve(registry, new, by=ADA)
    return "S-1"


def check_cement(registry: Registry, day: int, accept: str = "") -> Any:
    terms = RecordTerms(date(2026, 2, day), ADA)
    return references.record(registry, "S-1", cement(12.0, (12.0, 12.1)), "ce-9", terms, accept)


def test_expired_or_quarantined_material_is_not_used(registry: Registry, sieve: str) -> None:
    add(registry, "CE-9", kind="reference-material", valid_to=date(2026, 2, 10))
    check_cement(registry, 10)
    with pytest.raises(EquipmentRefusedError, match="'ce-9' cannot be used: it is valid only to"):
        check_cement(registry, 11)
    event = check_cement(registry, 11, "new lot on its way")
    stated = json.loads(event.payload)["accepted_expired"]
    assert stated == "valid to 2026-02-10: new lot on its way"
    log(registry, "quarantine", 12, "CE-9", note="bottle open")
    with pytest.raises(EquipmentRefusedError, match="quarantined since 2026-02-12"):
        check_cement(registry, 13, "new lot on its way")


def test_the_audit_lists_equipment_and_its_events_as_of_its_day(registry: Registry) -> None:
    add(registry, maker="Example Optics", firmware="1.02")
    log(registry, "damage", 2, note="lid cracked")
    log(registry, "check", 20, outcome="pass")
    tables = {t.name: t for t in audit(registry, date(2026, 2, 10)).tables}
    (row,) = tables["equipment"].rows
    cells = dict(zip(tables["equipment"].columns, row, strict=True))
    assert (cells["maker"], cells["firmware"], cells["state"]) == (
        "Example Optics",
        "1.02",
        "in use",
    )
    assert cells["to note"] == "damaged on 2026-02-02: lid cracked"
    assert [row[:3] for row in tables["equipment_events"].rows] == [
        ("SCAN-1", "2026-02-02", "damage")
    ]
