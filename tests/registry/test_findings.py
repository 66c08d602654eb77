"""Findings raised, answered and closed (ISO/IEC 17025:2017, 8.7), and retention (8.4)."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from clock import Clock
from program import Program
from sieve_inspect.errors import UsageError
from sieve_registry.audit import findings
from sieve_registry.audit.attention import attention
from sieve_registry.audit.errors import FindingError
from sieve_registry.audit.findings import FindingState
from sieve_registry.audit.queries import audit
from sieve_registry.errors import BadTextError
from sieve_registry.ledger.events import ProofRulesSet
from sieve_registry.sieves.laboratory import set_proof_rules
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


def test_a_finding_is_open_until_answered_and_noted_until_closed(
    registry: Registry, clock: Clock
) -> None:
    made = findings.raise_finding(
        registry, "no lamp test this year", ADA, about="FB-48", clause="6.4.10",
        answer_by="2026-03-10",
    )  # fmt: skip
    assert (made.number, made.state) == ("F-0001", FindingState.OPEN)
    with pytest.raises(FindingError, match="no answer yet"):
        findings.close_finding(registry, "1", "seen", ADA)
    clock.set("2026-03-11")
    (noted,) = attention(registry)
    assert noted.message == (
        "finding F-0001 is open, its answer was due on 2026-03-10: no lamp test this year"
    )
    findings.answer_finding(registry, "F-0001", "not planned", "planned each January", ADA)
    assert "is answered: no lamp" in attention(registry)[0].message
    closed = findings.close_finding(registry, "f-1", "test of 2026-03-11 kept", ADA)
    assert closed.state == FindingState.CLOSED
    assert attention(registry) == []
    with pytest.raises(FindingError, match="closed on 2026-03-11"):
        findings.answer_finding(registry, "1", "other", "other", ADA)


def test_numbers_run_and_nonsense_is_refused(registry: Registry) -> None:
    for expected in ("F-0001", "F-0002"):
        assert findings.raise_finding(registry, "a gap", ADA).number == expected
    with pytest.raises(UsageError, match=r"7\.8"):
        findings.raise_finding(registry, "a gap", ADA, clause="seven")
    with pytest.raises(BadTextError):
        findings.raise_finding(registry, " ", ADA)
    for number in ("3", "G-1", ""):
        with pytest.raises(FindingError, match="does not exist"):
            findings.finding_named(registry, number)


def test_commands(run: Program) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    run("finding", "raise", "label lost", "--about", "S-1", "--clause", "7.4.2")
    assert "Also: finding F-0001 is open: label lost." in run("due").out
    assert run("finding", "close", "1", "--reason", "seen").code == 69
    run("finding", "answer", "1", "--cause", "worn", "--action", "engraved")
    done = json.loads(run("finding", "close", "1", "--reason", "seen", "--json", "-").out)
    assert (done["state"], done["cause"], done["reason"]) == ("closed", "worn", "seen")
    assert json.loads(run("finding", "list", "--json", "-").out)["findings"] == []
    assert "F-0001 closed, about S-1, clause 7.4.2" in run("finding", "list", "--all").out


def test_evidence_may_be_destroyed_only_after_the_period(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    add()
    check()
    assert retention(registry) == []
    set_proof_rules(registry, ProofRulesSet(keep_years=5), ADA)
    assert retention(registry) == [("C-0001", "2031-03-02", "")]
    clock.set("2031-03-02")
    assert retention(registry) == [("C-0001", "2031-03-02", "")]
    clock.set("2031-03-03")
    assert retention(registry) == [("C-0001", "2031-03-02", "yes")]


def retention(registry: Registry) -> list[tuple[str, ...]]:
    (found,) = [t for t in audit(registry, registry.today()).tables if t.name == "retention"]
    places = [found.columns.index(name) for name in ("check", "keep until", "may be destroyed")]
    return [tuple(row[place] for place in places) for row in found.rows]
