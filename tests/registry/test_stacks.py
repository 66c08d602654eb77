"""Stacks: ready before a run, logged after it."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from program import Program
from registry_made import Measuring
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.errors import RuleRefusedError, StackError, UnknownSieveError
from sieve_registry.ledger.records import NewSieve, UseDetails
from sieve_registry.quality import decisions, references
from sieve_registry.quality.reference_rules import master
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.sieves.stack_rules import load_limit_g
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")
MM200, IN8 = 200_000.0, 203_200.0


@pytest.fixture
def shelf(registry: Registry, check: Callable[..., Any]) -> Registry:
    """Four sieves of 200 mm, checked: 2 mm, 1 mm, 500 um, 250 um."""
    for name, nominal in (("A", 2000.0), ("B", 1000.0), ("C", 500.0), ("D", 250.0)):
        sieve_commands.add_sieve(registry, NewSieve(name, nominal, frame_um=MM200), by="Ada Moss")
        check(name)
    return registry


def sources(found: stacks.Readiness) -> list[str]:
    return sorted({finding.source for finding in found.findings})


def test_a_sound_stack_is_ready(shelf: Registry) -> None:
    found = stacks.add(shelf, "sand", ["A", "B", "C", "D"], ADA)
    assert (found.is_ready, found.findings, found.notes) == (True, (), ())
    assert [s.sieve.id for s in stacks.ready(shelf, "sand").sieves] == ["A", "B", "C", "D"]
    assert stacks.names(shelf) == ["sand"]


def test_each_thing_that_stands_against_a_run_is_named(
    shelf: Registry, check: Callable[..., Any]
) -> None:
    stacks.add(shelf, "sand", ["B", "A", "C", "D"], ADA)
    check("C", outcome="fail")
    sieve_commands.quarantine(shelf, "D", "dented", ADA)
    found = stacks.ready(shelf, "sand")
    assert not found.is_ready
    assert sources(found) == ["order", "outcome", "status"]
    late = stacks.ready(shelf, "sand", date(2027, 3, 3))
    assert "due" in sources(late)


def test_a_decided_retirement_stands_against_a_run(shelf: Registry) -> None:
    stacks.add(shelf, "sand", ["A", "B"], ADA)
    decisions.decide(shelf, "C-0001", "retire", "bent", ADA)
    found = stacks.ready(shelf, "sand")
    told = "it was decided on 2026-03-02 to retire it"
    assert [(f.subject, f.message) for f in found.findings] == [("A", told)]
    (remark,) = sieve_queries.get_state(shelf, "A").remarks
    assert remark.message == f"in service although {told}"
    remarks = {s.sieve.id: len(s.remarks) for s in sieve_queries.due(shelf)}
    assert remarks == {"A": 1, "B": 0, "C": 0, "D": 0}
    decisions.decide(shelf, "C-0001", "keep", "straightened", ADA)
    assert stacks.ready(shelf, "sand").is_ready


def test_doubts_about_a_sieve_that_passed_are_noted(
    shelf: Registry, check: Callable[..., Any], measuring: Measuring
) -> None:
    stacks.add(shelf, "sand", ["A", "B"], ADA)

    def notes() -> list[tuple[str, str]]:
        return [(note.subject, note.source) for note in stacks.ready(shelf, "sand").notes]

    measuring.action = "clean and recheck"
    check("A")
    assert notes() == [("A", "cleaning")]
    sieve_commands.clean(shelf, "A", "ultrasonic", "", ADA)
    (note,) = stacks.ready(shelf, "sand").notes
    assert note.message == "it was cleaned since C-0005, and not checked again"
    measuring.action = ""
    check("A")
    assert notes() == []
    bad = master([(8.7, 9.9), (9.0, 10.0), (9.5, 10.5)], (0.3, 0.3))
    references.record(shelf, "B", bad, "master EX-M5", ADA)
    (note,) = stacks.ready(shelf, "sand").notes
    assert note.message == ("its reference check of 2026-03-02 is unsatisfactory (master EX-M5)")
    good = master([(8.7, 8.9), (9.0, 8.8), (9.5, 9.5)], (0.3, 0.3))
    references.record(shelf, "B", good, "master EX-M5", ADA)
    assert notes() == []


def test_a_use_of_a_failed_sieve_is_remarked_on(
    run: Program, scan: Path, measuring: Measuring
) -> None:
    assert run("sieve", "add", "S-1", "--nominal", "75um").code == 0
    measuring.outcome = "fail"
    assert run("check", "S-1", str(scan), "--um-per-px", "5.29").code == 0
    told = run("use", "S-1", "--count", "3")
    assert told.code == 0
    assert "Note: S-1 is in service although its last check C-0001 is a fail." in told.out


def test_a_sieve_never_checked_or_not_signed_stands_against_a_run(
    shelf: Registry, registry: Registry
) -> None:
    sieve_commands.add_sieve(registry, NewSieve("E", 125.0, frame_um=MM200), by="Ada Moss")
    stacks.add(shelf, "fine", ["D", "E"], ADA)
    assert sources(stacks.ready(shelf, "fine")) == ["due"]
    audit_commands.demand_sign_off(shelf, True, ADA)
    found = stacks.ready(shelf, "fine")
    assert [(f.source, f.subject) for f in found.findings] == [("signature", "D"), ("due", "E")]
    check_commands.sign_check(shelf, "C-0004", "", RecordTerms(by="Bo Reed"))
    assert sources(stacks.ready(shelf, "fine")) == ["due"]


# 200 mm and 8 in, 300 mm and 12 in are different frames: common practice, no source.
@pytest.mark.parametrize(
    ("frame_um", "fits"),
    [(MM200, True), (200_400.0, True), (IN8, False), (300_000.0, False), (304_800.0, False)],
)
def test_frames_have_to_match(
    shelf: Registry, check: Callable[..., Any], frame_um: float, fits: bool
) -> None:
    sieve_commands.add_sieve(shelf, NewSieve("E", 125.0, frame_um=frame_um), by="Ada Moss")
    check("E")
    found = stacks.add(shelf, "mixed", ["A", "E"], ADA)
    assert sources(found) == ([] if fits else ["frame"])


def test_a_frame_that_was_not_recorded_is_only_noted(
    shelf: Registry, check: Callable[..., Any]
) -> None:
    sieve_commands.add_sieve(shelf, NewSieve("E", 125.0), by="Ada Moss")
    check("E")
    found = stacks.add(shelf, "x", ["D", "E"], ADA)
    assert found.is_ready
    assert [note.message for note in found.notes] == ["its frame is not recorded"]


def test_two_sieves_of_one_size_are_a_finding_and_a_gap_is_a_note(
    shelf: Registry, check: Callable[..., Any]
) -> None:
    for name, nominal in (("E", 250.0), ("F", 63.0)):
        sieve_commands.add_sieve(shelf, NewSieve(name, nominal, frame_um=MM200), by="Ada Moss")
        check(name)
    assert sources(stacks.add(shelf, "twin", ["C", "D", "E"], ADA)) == ["series"]
    gap = stacks.add(shelf, "gap", ["A", "B", "C", "D", "F"], ADA)
    assert gap.is_ready
    assert [note.subject for note in gap.notes] == ["F"]


def test_a_stack_holds_known_sieves_once_and_is_changed_on_purpose(shelf: Registry) -> None:
    for wrong, error in ((["A", "A"], StackError), ([], StackError), (["Z"], UnknownSieveError)):
        with pytest.raises(error):
            stacks.add(shelf, "sand", wrong, ADA)
    stacks.add(shelf, "sand", ["A", "B"], ADA)
    with pytest.raises(StackError, match="--replace"):
        stacks.add(shelf, "sand", ["A", "C"], ADA)
    stacks.add(shelf, "sand", ["A", "C"], ADA, replacing=True)
    assert [s.sieve.id for s in stacks.ready(shelf, "sand").sieves] == ["A", "C"]
    with pytest.raises(StackError, match="there are sand"):
        stacks.ready(shelf, "gravel")


# ASTM C136 as remembered: effective areas 0.0285 m2 (8 in) and 0.0670 m2 (12 in); finer than
# 4.75 mm at most 7 kg/m2, from 4.75 mm 2.5 kg/m2 per mm of opening.
@pytest.mark.parametrize(
    ("nominal_um", "frame_um", "grams"),
    [
        (75, 203_200, 200),
        (4000, 203_200, 200),
        (75, 304_800, 469),
        (4750, 203_200, 338),  # 2.5 × 4.75 × 0.0285 m2
        (9500, 304_800, 1592),  # 2.5 × 9.5 × 0.0670 m2
    ],
)
def test_the_load_limit_of_the_trade(nominal_um: int, frame_um: int, grams: int) -> None:
    assert load_limit_g(nominal_um * 1000, frame_um * 1000) == grams


def test_a_run_logs_every_sieve_at_once_with_how_it_was_done(shelf: Registry) -> None:
    stacks.add(shelf, "sand", ["A", "B", "C"], ADA)
    details = UseDetails(
        method="hammer", material="quartz sand", abrasiveness="high",
        cleaning="brush", mass_g=Decimal("500.0"), minutes=Decimal(10),
    )  # fmt: skip
    masses = {"A": Decimal("20.5"), "B": Decimal("192.9"), "pan": Decimal("286.0")}
    done = stacks.run(shelf, "sand", details, ADA, count=2, retained_g=masses)
    assert [s.uses_total for s in done.sieves] == [2, 2, 2]
    assert [(f.source, f.subject) for f in done.findings] == []
    use = sieve_queries.get_history(shelf, "B").uses[0]
    assert (use.count, use.details.method, use.details.material) == (2, "hammer", "quartz sand")
    assert (use.details.abrasiveness, use.details.retained_g) == ("high", Decimal("192.9"))
    assert (use.details.stack, use.details.minutes) == ("sand", Decimal(10))
    assert sieve_queries.get_history(shelf, "C").uses[0].details.retained_g is None
    assert verification.verify(shelf).ok


def test_an_overloaded_sieve_and_lost_material_are_findings(shelf: Registry) -> None:
    stacks.add(shelf, "sand", ["A", "B"], ADA)
    details = UseDetails(method="hand", mass_g=Decimal(500))
    masses = {"A": Decimal(193), "B": Decimal(194), "pan": Decimal(111)}
    done = stacks.run(shelf, "sand", details, ADA, retained_g=masses)
    # 200 mm clears 187.3 mm: 0.02755 m2 × 7 kg/m2 = 193 g; 498 g of 500 g is 0.4 % short
    assert [(f.source, f.subject) for f in done.findings] == [("load", "B"), ("balance", "pan")]


def test_a_run_is_logged_completely_or_not_at_all(shelf: Registry) -> None:
    stacks.add(shelf, "sand", ["A", "B"], ADA)
    sieve_commands.quarantine(shelf, "B", "dented", ADA)
    before = verification.ledger_head(shelf)
    with pytest.raises(RuleRefusedError, match="quarantine"):
        stacks.run(shelf, "sand", UseDetails(method="wet"), ADA)
    with pytest.raises(StackError, match="no sieve 'Z'"):
        stacks.run(shelf, "sand", UseDetails(), ADA, retained_g={"Z": Decimal(1)})
    assert verification.ledger_head(shelf) == before


def test_commands_and_a_hand_scanner(
    run: Program, scan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, nominal in (("A", "2mm"), ("B", "1mm")):
        run("sieve", "add", name, "--nominal", nominal, "--frame", "8in")
    monkeypatch.setattr("sys.stdin", io.StringIO("A\nB\n\nnot read\n"))
    said = run("stack", "add", "sand", "--json", "-")
    assert [s["id"] for s in json.loads(said.out)["sieves"]] == ["A", "B"]
    assert run("stack", "ready", "sand").code == 0
    refused = run("stack", "ready", "sand", "--fail-on", "not-ready")
    assert refused.code == 1
    assert "A: was never checked." in refused.out
    for name in "AB":
        run("check", name, str(scan), "--um-per-px", "5.29", "--accept-scan", "a drawn scan")
    assert run("stack", "ready", "sand", "--fail-on", "not-ready").code == 0
    typed = ("stack", "run", "sand", "--method", "air-jet", "--mass", "600,0", "--minutes", "5")
    assert run(*typed, "--retained", "A=150.2").code == 0
    over = run(*typed, "--retained", "B=201", "--fail-on", "finding")
    assert over.code == 1
    assert "over the usual limit of 200 g" in over.out
    shown = json.loads(run("stack", "show", "sand", "--json", "-").out)
    assert [r["method"] for r in shown["runs"]] == ["air-jet", "air-jet"]
    assert all(len(line) <= 80 for line in run("stack", "show", "sand").out.splitlines())
    assert run("stack", "run", "sand", "--method", "hand", "--mass", "x").code == 2


def test_a_run_with_a_stack_that_was_not_ready_is_logged_with_a_remark(run: Program) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um", "--frame", "200mm")
    run("stack", "add", "fine", "S-1")
    told = run("stack", "run", "fine", "--method", "wet")
    assert told.code == 0
    assert "Logged 1" in told.out
    assert "The stack was not ready:\nS-1: was never checked." in told.out
