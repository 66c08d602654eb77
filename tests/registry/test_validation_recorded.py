"""The software's validation as a record (ISO/IEC 17025:2017, 7.11.2)."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from program import Program
from sieve_inspect.validation import Group, Report, Row, files_of
from sieve_registry.audit import verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.checks import validation
from sieve_registry.checks.validation import Validated
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.report import check_view
from sieve_registry.sieves.laboratory import set_proof_rules
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


def report(*, failed: bool = False, quick: bool = False) -> Report:
    """A made-up result of `validate`: two rows."""
    rows = tuple(
        Row(Group.CLEAN, name, "a", "b", "c", "d", holds=not (failed and name == "two"))
        for name in ("one", "two")
    )
    return Report(rows, {"numpy": "2"}, "Linux", "2026-03-02T12:00:00+00:00", quick, 1.0)


def record(registry: Registry, made: Report) -> None:
    validation.record_validation(registry, made, files_of(made), ADA)


def state_of(registry: Registry, check_id: str) -> str:
    return validation.validated_checks(registry, None)[check_id].state


def test_a_check_tells_whether_its_software_was_validated_before_or_since(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check()
    assert state_of(registry, "C-0001") == Validated.NO
    assert check_view(registry, "C-0001").validated == "not validated on that computer"
    record(registry, report())
    check()
    assert state_of(registry, "C-0001") == Validated.SINCE
    assert state_of(registry, "C-0002") == Validated.BEFORE
    text = check_view(registry, "C-0002").validated
    assert text == "validation on that computer, 2026-03-02, Ada Moss: 2 of 2 rows held"
    assert verification.verify(registry).ok


def test_another_version_source_or_computer_is_not_validated(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    add()
    record(registry, report())
    real = writer.software()
    for name in ("code", "computer", "numpy"):
        other = {**real, name: "another"}
        assert validation.standing(validation.validations(registry), other).state == Validated.NO
    assert validation.standing([], {"numpy": "2"}).state == Validated.UNKNOWN


def test_a_validation_that_did_not_hold_validates_nothing(registry: Registry) -> None:
    record(registry, report())
    record(registry, report(failed=True))
    now = validation.standing(validation.validations(registry), writer.software())
    assert now.state == Validated.FAILED
    assert "1 of 2 rows held" in now.sentence


def test_a_warning_is_given_only_where_the_laboratory_requires_validation(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    assert validation.caution(registry) == ""
    set_proof_rules(registry, ProofRulesSet(validated=True), ADA)
    assert "is not validated on this computer" in validation.caution(registry)
    payload = json.loads(check().event.payload)
    assert payload["warnings"] == [validation.caution(registry)]
    record(registry, report(quick=True))
    assert validation.caution(registry) == ""
    assert not any("validated" in w for w in json.loads(check().event.payload)["warnings"])


def test_commands(
    run: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scan: Path
) -> None:
    monkeypatch.setattr("sieve_inspect.validation.run_validation", lambda **_: report(quick=True))
    assert run("validate", "--quick").code == 2
    if not str(run.registry).startswith("postgresql"):  # a server's registry needs no file
        assert run("validate", "--quick", "--record").code == 39
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("laboratory", "--validated", "yes")
    for shown in (run("due").out, run().out):
        assert "run `sieveward validate --record`" in " ".join(shown.split())
    assert "Recorded as event 3." in run("validate", "--quick", "--record", "--by", "Ada Moss").out
    assert json.loads(run("due", "--json", "-").out)["attention"] == []
    run("check", "S-1", scan, "--um-per-px", "5.29")
    shown = run("sieve", "show", "S-1").out
    assert "Software of C-0001: a quick validation on that computer" in " ".join(shown.split())


def test_the_table_of_rows_is_kept_as_evidence(registry: Registry) -> None:
    made = report()
    record(registry, made)
    (fact,) = validation.validations(registry)
    kept = {file.name: file.sha256 for file in fact.payload.evidence}
    table = check_queries.evidence_bytes(registry, kept["validation.csv"]).decode()
    assert table == files_of(made)["validation.csv"]
