"""What the records show to be wrong: equipment that failed, |E_n| > 1, raised as findings (8.7)."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from foresee_lab import Lab
from program import Program
from registry_made import SCALE
from sieve_inspect.errors import UsageError
from sieve_registry.audit import findings, open_points, verification
from sieve_registry.audit.attention import attention
from sieve_registry.audit.follow_up import raise_where_demanded
from sieve_registry.audit.queries import audit
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.ledger.figures import CertifiedDirection
from sieve_registry.ledger.records import Event
from sieve_registry.quality import corrections, references
from sieve_registry.quality.equipment_lookback import (
    doubts_of_sieve,
    equipment_lookbacks,
    record_name,
)
from sieve_registry.quality.reference_rules import cement, master
from sieve_registry.scales import equipment
from sieve_registry.scales.artefacts import Device, add_device
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.equipment import NewEquipment
from sieve_registry.scales.errors import EquipmentRefusedError, UnknownThingError
from sieve_registry.sieves.certificates import NewCertificate, add_certificate
from sieve_registry.sieves.laboratory import proof_rules, set_proof_rules
from sieve_registry.sieves.recording import RecordTerms

ADA = "Ada Moss"


def on(lab: Lab, day: int) -> RecordTerms:
    """The terms of a record of a day of the laboratory, which is then today."""
    lab.clock.day = max(lab.clock.day, lab.day(day))
    return RecordTerms(lab.day(day), ADA)


@pytest.fixture
def balance(lab: Lab) -> Lab:
    """A sieve, and a balance that passed a check on day 1 and is due on day 100."""
    lab.add()
    equipment.add_equipment(lab.registry, NewEquipment(id="BAL-1", kind="balance"), on(lab, 0))
    logged(lab, 1, "check", outcome="pass", next_due=lab.day(100))
    return lab


def logged(lab: Lab, day: int, act: str, name: str = "BAL-1", **more: Any) -> None:
    equipment.log_equipment(lab.registry, name, act, on(lab, day), **more)


def weighed(lab: Lab, day: int, *used: str) -> Event:
    """A cement check of S-1 with equipment."""
    result = cement(12.0, (12.0, 12.1))
    terms = on(lab, day)
    return references.record(lab.registry, "S-1", result, "Lot 7", terms, equipment=used)


def test_a_check_names_its_equipment_by_any_spelling_and_notes_what_is_overdue(
    balance: Lab,
) -> None:
    kept = json.loads(weighed(balance, 2, "bal-1", "BAL-1").payload)
    assert kept["equipment"] == ["BAL-1"]
    assert "warnings" not in kept
    late = json.loads(weighed(balance, 101, "BAL-1").payload)
    assert late["warnings"] == ["BAL-1: its check was due on 2024-04-17"]  # day 100
    assert "equipment" not in json.loads(weighed(balance, 101).payload)


def test_equipment_that_is_unknown_or_out_of_use_is_refused(balance: Lab) -> None:
    with pytest.raises(UnknownThingError, match="no piece of equipment 'BAL-2'"):
        weighed(balance, 2, "BAL-2")
    equipment.add_equipment(
        balance.registry, NewEquipment(id="BAL-3", kind="balance"), on(balance, 3)
    )
    with pytest.raises(UnknownThingError, match="added after 2024-01-10"):
        weighed(balance, 2, "BAL-3")
    logged(balance, 3, "quarantine", note="dropped")
    with pytest.raises(EquipmentRefusedError, match="'BAL-1' cannot be used: it is quarantined"):
        weighed(balance, 4, "BAL-1")
    weighed(balance, 2, "BAL-1")  # it was in use on that day


def test_a_failure_puts_in_question_what_was_measured_since_the_passed_check(balance: Lab) -> None:
    lab = balance
    lab.check(2)  # without it
    first, void = weighed(lab, 3, "BAL-1"), weighed(lab, 4, "BAL-1")
    logged(lab, 5, "check", outcome="pass")
    second = weighed(lab, 6, "BAL-1")
    assert equipment_lookbacks(lab.registry) == []
    logged(lab, 7, "damage", note="dropped")
    third = weighed(lab, 8, "BAL-1")
    logged(lab, 9, "check", outcome="fail")
    (review,) = equipment_lookbacks(lab.registry)
    assert [fact.seq for fact in review.records] == [second.seq, third.seq]
    assert review.reason == "BAL-1 was damaged on 2024-01-15 (dropped)"
    assert review.span == "since its passed check of 2024-01-13"
    logged(lab, 10, "check", outcome="pass")
    weighed(lab, 11, "BAL-1")
    (review,) = equipment_lookbacks(lab.registry)
    assert [fact.seq for fact in review.records] == [second.seq, third.seq]
    assert review.span.endswith("to that of 2024-01-18")
    assert doubts_of_sieve(lab.registry, "S-1", lab.day(8))[0] == (
        f"The cement check of S-1 on 2024-01-14 (event {second.seq}) is in question: "
        "BAL-1 was damaged on 2024-01-15 (dropped)."
    )
    corrections.correct(lab.registry, str(third.seq), {}, "a test", on(lab, 11), void=True)
    (review,) = equipment_lookbacks(lab.registry)
    assert [fact.seq for fact in review.records] == [second.seq]
    assert {first.seq, void.seq}.isdisjoint(fact.seq for fact in review.records)


def test_a_device_and_a_material_that_fail_are_looked_back_on_too(lab: Lab) -> None:
    chain = CheckScale(SCALE, {"scale": {"device": "SCAN-1 4800"}})
    lab.add()
    device = Device("SCAN-1 4800", "scanner", "SN-7", "4800dpi", "transmitted", "srgb", 0, 1e3, 3e5)
    add_device(lab.registry, device, on(lab, 0))
    for new in (
        NewEquipment(id="SCAN-1", kind="device", names=("SCAN-1 4800",)),
        NewEquipment(id="LOT 7", kind="reference-material"),
    ):
        equipment.add_equipment(lab.registry, new, on(lab, 0))
    checked = lab.check(2, chain=chain)
    weighed(lab, 3)
    logged(lab, 4, "check", "SCAN-1", outcome="fail")
    logged(lab, 5, "damage", "LOT 7", note="bottle open")
    scanner, lot = equipment_lookbacks(lab.registry)
    assert [record_name(fact) for fact in scanner.records] == [f"check {checked.check.id} of S-1"]
    assert [record_name(fact) for fact in lot.records] == ["cement check of S-1"]
    assert equipment_lookbacks(lab.registry, piece="LOT 7") == [lot]


def test_the_audit_shows_use_and_doubt_of_equipment_as_of_its_day(balance: Lab) -> None:
    weighed(balance, 2, "BAL-1")
    logged(balance, 9, "check", outcome="fail", note="0.3 g off")
    for day, doubt in ((8, ""), (9, "BAL-1 failed its check on 2024-01-17 (0.3 g off)")):
        tables = {made.name: made for made in audit(balance.registry, balance.day(day)).tables}
        (row,) = tables["equipment_use"].rows
        cells = dict(zip(tables["equipment_use"].columns, row, strict=True))
        assert (cells["equipment"], cells["used for"]) == ("BAL-1", "cement check of S-1")
        assert cells["in question"] == doubt
        assert len(tables["open_points"].rows) == bool(doubt)


# --- open points --------------------------------------------------------------------------------


def certified(lab: Lab, day: int) -> int:
    """A certificate 1.0 um above the own mean of x: its event.

    E_n by hand, own 75.5 ± 0.30 (2 · 0.15) and certified 76.5 ± 0.40: −1.0 / 0.5 = −2.00.
    """
    x = CertifiedDirection(mean_um=Decimal("76.5"), expanded_um=Decimal("0.4"))
    y = CertifiedDirection(mean_um=Decimal("75.2"), expanded_um=Decimal("0.4"))
    new = NewCertificate(number="EX-1", laboratory="Example Metrology", x=x, y=y)
    return add_certificate(lab.registry, "S-1", new, on(lab, day)).seq


def test_an_e_n_above_1_is_an_open_point_until_it_is_raised(lab: Lab) -> None:
    lab.add()
    lab.check(1)
    seq = certified(lab, 3)
    (noted,) = attention(lab.registry)
    assert (noted.source, noted.subject) == ("open point", str(seq))
    assert noted.message == (
        "Check C-0001 of S-1 and certificate EX-1 of Example Metrology disagree: "
        "E_n x -2.00, y +0.00 (|E_n| > 1, ISO 13528)"
    )
    made = open_points.raise_with_cause(
        lab.registry, "", on(lab, 4), answer_by="2024-03-01", cause=seq
    )
    stated = made.raised.payload
    assert (stated.text, stated.about, stated.clause) == (noted.message, "C-0001", "7.7.1")
    assert (stated.cause, stated.by_program) == (seq, False)
    assert made.origin == f"Ada Moss, from event {seq}"
    assert open_points.open_points(lab.registry) == []
    assert open_points.open_points(lab.registry, lab.day(3))[0].event == seq
    with pytest.raises(UsageError, match="no open point"):
        open_points.raise_with_cause(lab.registry, "", on(lab, 4), cause=seq)


def test_an_unsatisfactory_reference_check_is_one_and_a_corrected_certificate_is_none(
    lab: Lab,
) -> None:
    # E_n of a master comparison by hand: 3.0 / √(1.0² + 1.0²) = +2.12.
    lab.add()
    result = master([(13.0, 10.0)], (1.0, 1.0))
    seq = references.record(lab.registry, "S-1", result, "M-1", on(lab, 1)).seq
    (point,) = open_points.open_points(lab.registry)
    assert (point.event, point.about) == (seq, "S-1")
    assert "E_n +2.12" in point.text
    lab.check(2)
    other = certified(lab, 3)
    assert [p.event for p in open_points.open_points(lab.registry)] == [seq, other]
    change = {"mean-x": "75.5um"}
    corrections.correct(lab.registry, str(other), change, "misread", on(lab, 3))
    assert [p.event for p in open_points.open_points(lab.registry)] == [seq]


def test_where_the_laboratory_demands_it_the_program_raises_them_once(balance: Lab) -> None:
    lab = balance
    lab.check(1)
    weighed(lab, 2, "BAL-1")
    registry = lab.registry = replace(lab.registry, follow_up=raise_where_demanded)
    equipment.log_equipment(registry, "BAL-1", "check", on(lab, 3), outcome="fail")
    assert findings.findings(registry) == []  # off by default
    set_proof_rules(registry, ProofRulesSet(raise_findings=True), on(lab, 4))
    assert proof_rules(registry).raise_findings
    assert proof_rules(registry, lab.day(3)).raise_findings is False
    seq = certified(lab, 5)
    first, second = findings.findings(registry)
    assert first.raised.payload.about == "BAL-1"
    assert first.raised.payload.text.endswith("2024-01-09: cement check of S-1")
    assert (second.raised.payload.cause, second.raised.payload.by_program) == (seq, True)
    assert second.origin == f"the program, from event {seq}"
    lab.use(6, 1)
    assert len(findings.findings(registry)) == 2
    assert verification.verify(registry).ok


def test_the_command_line_shows_and_raises_an_open_point(run: Program, lab: Lab) -> None:
    lab.add()
    lab.check(1)
    seq = certified(lab, 3)
    command = f"sieveward finding raise --from {seq}"
    assert command in " ".join(run("due").out.split())
    assert command in " ".join(run("finding", "list").out.split())
    assert json.loads(run("finding", "list", "--json", "-").out)["open_points"][0]["event"] == seq
    made = run("finding", "raise", "--from", str(seq), "--by", ADA)
    assert f"by Ada Moss, from event {seq}" in made.out
    assert command not in run("finding", "list").out
    assert json.loads(run("due", "--json", "-").out)["attention"][0]["source"] == "finding"
    run("laboratory", "--raise-findings", "yes", "--by", ADA)
    run("equipment", "add", "BAL-1", "--kind", "balance", "--by", ADA)
    weigh = ("reference", "cement", "S-1", "--certified", "12", "--residue", "12", "--residue")
    run(*weigh, "12.1", "--material", "Lot 7", "--equipment", "BAL-1", "--by", ADA)
    failed = ("equipment", "log", "BAL-1", "check", "--outcome", "fail", "--by", ADA)
    assert "Raised by the program: F-0002. See: sieveward finding list" in run(*failed).out
    shown = " ".join(run("equipment", "show", "BAL-1").out.split())
    assert "In question: BAL-1 failed its check" in shown
    assert "cement check of S-1" in shown
    assert "by the program, from event" in run("finding", "list").out
    assert "is in question: BAL-1 failed" in " ".join(run("lookback", "S-1").out.split())
