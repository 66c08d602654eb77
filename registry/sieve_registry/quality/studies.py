"""Repeatability studies: read from a table, analysed, and recorded by name for use in budgets."""

from __future__ import annotations

import math
from pathlib import Path

from sieve_inspect.errors import BadTableError
from sieve_inspect.summary.repeatability import Precision, precision
from sieve_registry.exchange.sheets import read_columns, read_number
from sieve_registry.ledger.events import RepeatabilityStudied
from sieve_registry.ledger.figures import StudyFigures
from sieve_registry.ledger.records import Event
from sieve_registry.sieves.facts import record_general_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

_HEADERS = (("group", "value_um"), ("group", "direction", "value_um"))
_MOST_BYTES = 4_000_000


def read_study(path: Path) -> dict[str, Precision]:
    """Analyse a table with the columns group,value_um or group,direction,value_um, by direction.

    Raises `BadTableError` with the line, or where there are too few groups or values.
    """
    values: dict[str, dict[str, list[float]]] = {}
    for direction, group, value in read_columns(path, _HEADERS, _value, most_bytes=_MOST_BYTES):
        values.setdefault(direction, {}).setdefault(group, []).append(value)
    if not values:
        raise BadTableError(file=path, reason="it has no values")
    try:
        return {name: precision(groups) for name, groups in sorted(values.items())}
    except ValueError as error:
        raise BadTableError(file=path, reason=str(error)) from error


def _value(cells: dict[str, str], _before: object) -> tuple[str, str, float]:
    direction = cells.get("direction")
    if direction not in (None, "x", "y"):
        raise ValueError(f"the direction {direction!r} is neither x nor y")
    if not cells["group"]:
        raise ValueError("the group is blank")
    value = read_number("value_um", cells["value_um"])
    if not math.isfinite(value):
        raise ValueError(f"value_um {cells['value_um']!r} is not a number")
    return direction or "", cells["group"], value


def record_study(
    registry: Registry, name: str, studied: dict[str, Precision], terms: RecordTerms
) -> Event:
    """Record a study under a name; from then on it replaces an earlier study of that name."""
    directions = {
        direction or "both": StudyFigures(
            groups=len(study.groups),
            values=sum(study.counts),
            mean_um=study.mean,
            s_r_um=study.s_r,
            s_between_um=study.s_L,
            s_reproducibility_um=study.s_R,
            dof=study.dof_R,
        )
        for direction, study in studied.items()
    }
    return record_general_fact(registry, name, RepeatabilityStudied(directions=directions), terms)
