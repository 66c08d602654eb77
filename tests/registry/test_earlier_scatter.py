"""A check of few fields uses what earlier checks of the same cloth showed of their scatter."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from present import present
from registry_made import SCALE, Measuring
from sieve_registry.checks.commands import check
from sieve_registry.outlook.commands import replace_cloth
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry


@pytest.fixture
def checking(
    registry: Registry, measuring: Measuring, scan: Path, add: Callable[..., Any]
) -> Callable[..., Any]:
    """Records a check whose own fields scatter so; returns what was known before it."""
    add()

    def made(s_um: float | None, dof: float | None) -> Any:
        measuring.between_fields = {"s_um": 1.0, "dof": 8, "own_s_um": s_um, "own_dof": dof}
        check(registry, "S-1", [scan], scale=SCALE, accept_scan="drawn", measure=measuring)
        return measuring.calls[-1]["prior"].scatter

    return made


def test_the_scatter_of_earlier_fields_is_pooled_by_its_degrees_of_freedom(
    checking: Callable[..., Any],
) -> None:
    assert checking(0.6, 3) is None  # nothing before the first
    first = checking(1.2, 1)
    assert (first[0].s_um, first[0].dof) == (pytest.approx(0.6), 3)
    pooled, _ = checking(None, None)  # (3 · 0.36 + 1 · 1.44) / 4
    assert (pooled.s_um, pooled.dof) == (pytest.approx(0.63**0.5), 4)
    again, _ = checking(None, None)  # a single field adds nothing
    assert (again.s_um, again.dof) == (pooled.s_um, 4)


def test_two_fields_know_too_little(checking: Callable[..., Any]) -> None:
    checking(0.6, 1)
    assert checking(0.6, 1) is None
    assert present(checking(0.6, 1))[0].dof == 2


def test_new_cloth_begins_anew(registry: Registry, checking: Callable[..., Any]) -> None:
    checking(0.6, 3)
    replace_cloth(registry, "S-1", "torn", RecordTerms())
    assert checking(0.6, 3) is None
