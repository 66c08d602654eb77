"""What earlier checks of a sieve's cloth showed of the scatter between its fields."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from sieve_registry.errors import EvidenceAlteredError, EvidenceError
from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.ledger.records import SieveHistory
from sieve_registry.outlook.cloth_history import cloth_history
from sieve_registry.sieves.facts import facts_of
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.summary.fields import FieldScatter

_CHECKS = 8  # the last ones: cloth wears
_FEWEST_DOF = 2  # of three fields; less says less than the default does


def scatter_before(
    registry: Registry, history: SieveHistory, day: date
) -> tuple[FieldScatter, FieldScatter] | None:
    """The scatter in x and y by the checks of the cloth now in the frame, None where unknown.

    A check counts with its own fields alone, not with what it was told of earlier checks.
    """
    checks = {check.id for check in cloth_history(history, day).checks[-_CHECKS:]}
    if not checks:
        return None
    facts = facts_of(registry, history.sieve.id, [CheckRecorded])
    payloads = [fact.payload for fact in facts if fact.payload.check in checks]
    documents = list(_documents(registry, payloads))
    x, y = (_pooled(documents, direction) for direction in "xy")
    return None if x is None or y is None else (x, y)


def _documents(
    registry: Registry, payloads: Iterable[CheckRecorded]
) -> Iterator[Mapping[str, Any]]:
    """The measurements kept with some checks; one that cannot be read tells nothing."""
    for payload in payloads:
        for file in payload.evidence:
            if file.role == "measurement":
                try:
                    yield json.loads(registry.evidence.read(file.sha256, file.extension))
                except (EvidenceError, EvidenceAlteredError, ValueError):
                    continue


def _pooled(documents: Iterable[Mapping[str, Any]], direction: str) -> FieldScatter | None:
    """Σ ν s² / Σ ν over the checks of two fields or more."""
    from sieve_inspect.summary.fields import FieldScatter

    squares, dof = 0.0, 0.0
    for document in documents:
        own = document.get("directions", {}).get(direction, {}).get("between_fields") or {}
        if own.get("own_s_um") is not None:
            squares += own["own_dof"] * own["own_s_um"] ** 2
            dof += own["own_dof"]
    return FieldScatter(math.sqrt(squares / dof), dof) if dof >= _FEWEST_DOF else None
