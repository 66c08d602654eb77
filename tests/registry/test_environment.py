"""Temperature and humidity of checks: recorded, held to the laboratory's limits (17025, 6.3)."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from program import Program
from registry_made import SCALE, Measuring
from sieve_inspect.errors import UsageError
from sieve_registry.audit.queries import audit
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks.queries import get_check
from sieve_registry.ledger.choices import CheckMethod
from sieve_registry.quality import references
from sieve_registry.quality.reference_rules import cement
from sieve_registry.report.gather import check_view
from sieve_registry.scales import environment, equipment
from sieve_registry.scales.environment import Environment
from sieve_registry.scales.equipment import NewEquipment
from sieve_registry.scales.equipment_use import used_equipment
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")
FAULT = "the temperature was 27 °C, the laboratory's limits are 18 to 25 °C"


@pytest.fixture
def checked(
    registry: Registry, measuring: Measuring, scan: Path, add: Callable[..., Any]
) -> Callable[..., Any]:
    """Checks a new sieve in an environment: the outcome, its reasons and its payload."""
    add()

    def checking(*values: float | None) -> Any:
        taken = check_commands.take(
            registry, "S-1", [scan], scale=SCALE, encoding="auto", terms=ADA, measure=measuring
        )
        taken = check_commands.in_environment(taken, Environment(*values))
        return get_check(registry, check_commands.record(registry, taken, ADA, "ok"))

    return checking


def test_without_limits_it_is_recorded_and_asks_for_nothing(checked: Callable[..., Any]) -> None:
    assert checked(None, None).check.outcome == "pass"
    assert "environment" not in json.loads(checked(None, None).event.payload)
    detail = checked(27.5, 41.0)
    assert detail.check.outcome == "pass"
    payload = json.loads(detail.event.payload)
    assert payload["environment"] == {"temperature_c": "27.5", "humidity_percent": "41.0"}
    assert any("not corrected to 20 °C" in warning for warning in payload["warnings"])


def test_a_check_names_the_thermometer_and_notes_that_it_is_overdue(
    registry: Registry, measuring: Measuring, scan: Path, checked: Callable[..., Any]
) -> None:
    due = date(2026, 1, 31)
    new = NewEquipment(id="TH-1", kind="thermometer", next_due=due, received=due)
    equipment.add_equipment(registry, new, ADA)
    taken = check_commands.take(
        registry, "S-1", [scan], scale=SCALE, encoding="auto", terms=ADA, measure=measuring
    )
    used = used_equipment(registry, ["th-1"], registry.today())
    taken = check_commands.with_equipment(taken, used)
    detail = get_check(registry, check_commands.record(registry, taken, ADA, "ok"))
    payload = json.loads(detail.event.payload)
    assert payload["equipment"] == ["TH-1"]
    assert "TH-1: its check was due on 2026-01-31" in payload["warnings"]
    assert ("Equipment used", "TH-1") in check_view(registry, detail.check.id).chain
    assert "equipment" not in json.loads(checked().event.payload)


def test_outside_the_limits_a_pass_is_conditional(
    registry: Registry, checked: Callable[..., Any]
) -> None:
    environment.set_limits(registry, (18.0, 25.0), (30.0, 60.0), ADA)
    assert checked(18.0, 60.0).check.outcome == "pass"  # limits are within
    detail = checked(27.0, 45.0)
    assert detail.check.outcome == "conditional pass"
    assert f"{FAULT}." in detail.check.reasons
    kept = json.loads(detail.event.payload)["environment"]
    assert (kept["temperature_limits_c"], kept["faults"]) == (["18.0", "25.0"], [FAULT])
    missing = checked(20.0, None).check
    assert missing.outcome == "conditional pass"
    assert "the humidity of the laboratory is not recorded." in missing.reasons


def test_limits_hold_from_their_day_and_by_method(registry: Registry) -> None:
    environment.set_limits(registry, (18.0, 25.0), None, ADA)
    environment.set_limits(registry, (15.0, 30.0), None, ADA, "reference")
    today = registry.today()
    optical = environment.limits_of(registry, CheckMethod.OPTICAL, today)
    reference = environment.limits_of(registry, CheckMethod.REFERENCE, today)
    assert optical is not None
    assert reference is not None
    assert (optical.temperature_c, reference.temperature_c) == ((18.0, 25.0), (15.0, 30.0))
    assert environment.limits_of(registry, CheckMethod.OPTICAL, date(2020, 1, 1)) is None
    environment.set_limits(registry, None, None, ADA)
    ended = environment.limits_of(registry, CheckMethod.OPTICAL, today)
    assert environment.faults(Environment(), ended) == []


@pytest.mark.parametrize("span", [(25.0, 18.0), (18.0, 180.0)])
def test_impossible_limits_and_values_are_refused(
    registry: Registry, span: tuple[float, float]
) -> None:
    with pytest.raises(UsageError, match="not plausible"):
        environment.set_limits(registry, span, None, ADA)
    with pytest.raises(UsageError, match="humidity of 140 %"):
        Environment(20.0, 140.0)


def test_a_reference_check_keeps_it_and_the_audit_lists_both(
    registry: Registry, checked: Callable[..., Any]
) -> None:
    environment.set_limits(registry, (18.0, 25.0), None, ADA)
    checked(27.0, 45.0)
    result = cement(12.0, (12.0, 12.1))
    references.record(registry, "S-1", result, "lot 9", ADA, "", Environment(21.0))
    made = {table.name: table for table in audit(registry, registry.today()).tables}
    rows = [row[:5] for row in made["environment"].rows]
    day = registry.today().isoformat()
    assert rows == [
        ("C-0001", "S-1", day, "27 °C (limits 18 to 25 °C), 45 % RH", FAULT),
        ("cement", "S-1", day, "21 °C (limits 18 to 25 °C)", ""),
    ]


def test_the_command_line_sets_and_shows_limits(run: Program, add: Callable[..., Any]) -> None:
    add()
    assert "No limits" in run("environment").out
    run("environment", "--temperature", "18,25")
    both = json.loads(run("environment", "--humidity", "30,60", "--json", "-").out)
    (limits,) = both["limits"]
    assert (limits["temperature_c"], limits["humidity_percent"]) == ([18.0, 25.0], [30.0, 60.0])
    shown = run("environment", "--temperature", "none").out
    assert "all checks: 30 to 60 % RH" in shown
