"""A pass also needs the eye and a certified scale; a check for information judges nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from program import Program
from registry_made import SCALE, Measuring
from sieve_registry.checks import commands as check_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry


@pytest.fixture
def examined(
    registry: Registry, measuring: Measuring, scan: Path, add: Callable[..., Any]
) -> Callable[..., Any]:
    """Checks a new sieve with a visual examination, or none."""
    add()

    def checking(visual: str = "", outcome: str = "pass", **options: Any) -> Any:
        measuring.outcome = outcome
        return check_commands.check(
            registry,
            "S-1",
            [scan],
            **{
                "scale": SCALE,
                "terms": RecordTerms(by="Ada Moss"),
                "measure": measuring,
                "accept_scan": "a drawn scan",
                **options,
            },
            visual=visual,
        )

    return checking


def test_a_pass_without_examination_is_conditional(examined: Callable[..., Any]) -> None:
    check = examined().check
    assert (check.outcome, check.action) == ("conditional pass", "measure better")
    assert "the visual examination of cloth and label is not recorded." in check.reasons
    assert "--visual ok" in check.action_reason


def test_who_examined_and_when_is_kept(examined: Callable[..., Any]) -> None:
    detail = examined(" OK ")
    assert (detail.check.outcome, detail.check.action) == ("pass", "keep")
    seen = json.loads(detail.event.payload)["visual"]
    assert seen == {"result": "ok", "by": "Ada Moss", "on": detail.check.on_date.isoformat()}


@pytest.mark.parametrize("outcome", ["pass", "conditional pass", "fail"])
def test_a_fault_that_was_seen_fails(examined: Callable[..., Any], outcome: str) -> None:
    """ISO 3310-1:2016: weaving faults, creases, wrinkles and foreign matter reject the cloth."""
    check = examined("crease at 3 h", outcome).check
    assert (check.outcome, check.action) == ("fail", "retire")
    assert check.reasons[-1] == "fault seen in the visual examination: crease at 3 h."


def test_a_fail_needs_no_examination(examined: Callable[..., Any]) -> None:
    assert examined(outcome="fail").check.outcome == "fail"
    assert examined(outcome="conditional fail").check.outcome == "conditional fail"


def test_a_scale_without_certificate_passes_conditionally(examined: Callable[..., Any]) -> None:
    check = examined("ok", scale=replace(SCALE, certified=False)).check
    assert check.outcome == "conditional pass"
    assert "its scale comes from no certified artefact." in check.reasons


def test_a_check_for_information_judges_nothing(
    registry: Registry, examined: Callable[..., Any], clock: Any
) -> None:
    first = examined("ok").check
    due = sieve_queries.get_state(registry, "S-1").due
    detail = examined(for_information=True)
    assert (detail.check.outcome, detail.check.action) == ("for information", "")
    state = sieve_queries.get_state(registry, "S-1")
    assert state.last_check is not None
    assert (state.last_check.id, state.due) == (first.id, due)
    assert {s.sieve.id: s.due for s in sieve_queries.states(registry, registry.today())} == {
        "S-1": due
    }


def test_the_command_takes_both(run: Program, scan: Path) -> None:
    run("sieve", "add", "S-1", "--nominal", "75um")
    scale = Path(__file__).parents[2] / "demo_images" / "scanner-4800dpi.json"
    check = ("check", "S-1", scan, "--scale", scale, "--json", "-", "--accept-scan", "a drawn scan")
    assert json.loads(run(*check, "--visual", "ok").out)["outcome"] == "pass"
    assert json.loads(run(*check, "--visual", "label torn off").out)["outcome"] == "fail"
    assert json.loads(run(*check).out)["outcome"] == "conditional pass"
