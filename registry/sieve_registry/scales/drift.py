"""How the scale of a device moves: jumps beyond the combined U, and the checks in between."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.scales.calibrations import KeptScale, history_of_device
from sieve_registry.store import listing, reader
from sieve_registry.store.engine import Registry


@dataclass(frozen=True)
class Jump:
    """A change from one scale to the next that their uncertainties do not explain.

    `change` and `limit` are relative; `checks` were made by the last good scale, from its day to
    that of the first bad one.
    """

    direction: str
    good: KeptScale
    bad: KeptScale
    change: float
    limit: float
    checks: tuple[str, ...] = ()


def jumps_in(history: Sequence[KeptScale]) -> list[Jump]:
    """Changes beyond U = 2 √(u² + u²) of the two scales they lie between, x and y apart.

    The certificate is counted in both, so a jump found is no matter of the artefact.
    """
    jumps = []
    for good, bad in pairwise(history):
        for place, direction in enumerate("xy"):
            change = bad.um_per_px[place] / good.um_per_px[place] - 1
            limit = 2 * math.hypot(good.u_rel[place], bad.u_rel[place])
            if abs(change) > limit:
                jumps.append(Jump(direction, good, bad, change, limit))
    return jumps


def drift_of(registry: Registry, device_id: str) -> tuple[list[KeptScale], list[Jump]]:
    """The scale history of a device and its jumps, with the checks each puts in question.

    Void checks are left out. Raises `UnknownThingError`.
    """
    history = history_of_device(registry, device_id)
    jumps = jumps_in(history)
    if not jumps:
        return history, []
    with registry.reading() as connection:
        rows = {row.seq: row for row in listing.check_rows(connection, registry.today(), None)}
        facts = reader.facts(connection, [CheckRecorded])
    by_scale: dict[int, list[str]] = {}
    for fact in facts:
        trace = fact.payload.trace
        if trace and trace["scale"] and fact.seq in rows:
            by_scale.setdefault(int(trace["scale"]["event"]), []).append(rows[fact.seq].id)
    return history, [
        replace(jump, checks=tuple(by_scale.get(jump.good.event, ()))) for jump in jumps
    ]
