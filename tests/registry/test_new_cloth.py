"""A frame with new cloth: what was found of the old cloth says nothing of it.

ISO/IEC 17025:2017, 6.4.4: verified before it is placed or returned into service.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from clock import Clock
from program import Program
from sieve_registry.audit import verification
from sieve_registry.audit.queries import audit
from sieve_registry.errors import RuleRefusedError
from sieve_registry.outlook import commands, queries
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


@pytest.fixture
def reclothed(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> Registry:
    """Checked in March, new cloth in April."""
    add()
    check()
    clock.set("2026-04-01")
    commands.replace_cloth(registry, "S-1", "torn, new from Meadow Works", ADA)
    return registry


def test_new_cloth_makes_the_sieve_due_at_once(reclothed: Registry) -> None:
    state = sieve_queries.get_state(reclothed, "S-1")
    assert (state.due, state.due_because) == (date(2026, 4, 1), "its new cloth was never checked")
    assert "its cloth of 2026-04-01 was never checked" in state.remarks[0].message
    before = sieve_queries.get_state(reclothed, "S-1", date(2026, 3, 31))
    assert (before.due, before.new_cloth) == (date(2027, 3, 2), None)


def test_a_stack_with_new_cloth_is_not_ready(reclothed: Registry) -> None:
    stacks.add(reclothed, "sand", ["S-1"], ADA)
    found = stacks.ready(reclothed, "sand")
    assert [f.message for f in found.findings] == ["its cloth of 2026-04-01 was never checked"]


def test_nothing_is_proposed_from_the_old_cloth(reclothed: Registry) -> None:
    advice = queries.outlook(reclothed, "S-1").advice
    assert (advice.action, "2026-04-01" in advice.reason) == ("measure better", True)
    stairs = queries.interval_view(reclothed, "S-1").proposals[0]
    assert (stairs.enough, stairs.reasons) == (False, ("its new cloth was never checked",))


def test_a_check_of_the_new_cloth_ends_the_demand_for_one(
    reclothed: Registry, check: Callable[..., Any]
) -> None:
    check()
    state = sieve_queries.get_state(reclothed, "S-1")
    assert (state.due, state.new_cloth, state.remarks) == (date(2027, 4, 1), None, ())


def test_a_check_before_the_new_cloth_does_not_bring_it_back(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], clock: Clock
) -> None:
    add()
    sieve_commands.quarantine(registry, "S-1", "torn", ADA, damage=True)
    check()
    commands.replace_cloth(registry, "S-1", "new", ADA)
    with pytest.raises(RuleRefusedError, match="its cloth of 2026-03-02 was not checked"):
        sieve_commands.return_to_service(registry, "S-1", "new cloth", ADA)
    check()
    assert sieve_commands.return_to_service(registry, "S-1", "checked", ADA).status == "in service"


def test_new_cloth_recorded_by_mistake_can_be_made_void(reclothed: Registry) -> None:
    seq = verification.ledger_head(reclothed)[0]
    quality_corrections.correct(reclothed, str(seq), {}, "another sieve", ADA, void=True)
    assert sieve_queries.get_state(reclothed, "S-1").due == date(2027, 3, 2)
    assert queries.outlook(reclothed, "S-1").wear.steps == ()


def test_the_sieve_and_the_audit_show_the_new_cloth(reclothed: Registry, run: Program) -> None:
    shown = run("sieve", "show", "S-1").out
    assert "cloth replaced by Ada Moss: torn, new from Meadow Works" in shown
    changes = next(t for t in audit(reclothed, date(2026, 4, 1)).tables if t.name == "changes")
    assert any("cloth replaced: torn, new from" in cell for row in changes.rows for cell in row)
