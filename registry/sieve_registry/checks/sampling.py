"""The sampling plan of a sieve in the registry, and whether its last check met it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_inspect.standard.sampling import SamplingPlan, Shortfall, plan, shortfalls
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.records import CheckDetail
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

_FRAME_MM = 200.0  # the commonest test sieve; assumed, with a remark, where none is recorded


@dataclass(frozen=True)
class WireFinding:
    """Mean wire diameter of one direction against its limits."""

    direction: str
    mean_um: float
    inside: bool


@dataclass(frozen=True)
class CheckAgainstPlan:
    """How a check compares with the plan."""

    check_id: str
    met: bool
    lacking: tuple[Shortfall, ...]
    wires: tuple[WireFinding, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class PlanView:
    """A sieve's plan, and its last check compared with it."""

    sieve_id: str
    plan: SamplingPlan
    frame_assumed: bool
    last: CheckAgainstPlan | None


def view_of(
    registry: Registry, sieve_id: str, field_mm: float | None = None, day: date | None = None
) -> PlanView:
    """The plan of a sieve, for fields of a width (mm) or full scans, and its last check."""
    state = sieve_queries.get_state(registry, sieve_id, day)
    sieve = state.sieve
    frame_mm = _FRAME_MM if sieve.frame_nm is None else sieve.frame_nm / 1e6
    wanted = plan(
        sieve.nominal_um,
        grade=sieve.grade,
        standard=sieve.standard,
        frame_mm=frame_mm,
        field_mm=field_mm,
    )
    last = None
    if state.last_check is not None:
        detail = check_queries.get_check(registry, state.last_check.id)
        measured = _measurement(registry, detail)
        last = _against(wanted, detail, measured, full_scans=field_mm is None)
    return PlanView(sieve.id, wanted, sieve.frame_nm is None, last)


def _measurement(registry: Registry, detail: CheckDetail) -> dict[str, Any]:
    """The measurement kept with a check, empty where there is none (an imported one)."""
    for file in detail.evidence:
        if file.role == "measurement":
            document = json.loads(check_queries.evidence_bytes(registry, file.sha256))
            assert isinstance(document, dict)
            return document
    return {}


def _against(
    wanted: SamplingPlan, detail: CheckDetail, measured: dict[str, Any], *, full_scans: bool
) -> CheckAgainstPlan:
    check = detail.check
    directions = measured.get("directions", {})
    wires = [directions.get(d, {}).get("wire_count") for d in "xy"]
    known = [int(count) for count in wires if count is not None]
    images = len(measured.get("images", ()))
    remarks = []
    if not known:
        remarks.append("how many wires it measured is not recorded")
    if wanted.n is None:
        remarks.append("every full aperture counts: only a scan of the entire cloth shows them all")
    elif not full_scans:
        remarks.append("where on the cloth its scans were taken is not recorded: inspect them")
    lacking = shortfalls(
        wanted,
        {"x": check.x.count, "y": check.y.count},
        min(known, default=wanted.wires),
        images or wanted.fields,
    )
    return CheckAgainstPlan(check.id, not lacking, lacking, _wires(wanted, detail), tuple(remarks))


def _wires(wanted: SamplingPlan, detail: CheckDetail) -> tuple[WireFinding, ...]:
    low, high = wanted.wire_min_um, wanted.wire_max_um
    if low is None or high is None:
        return ()
    means = (("x", detail.check.x.wire_mean_um), ("y", detail.check.y.wire_mean_um))
    return tuple(
        WireFinding(direction, float(mean), low <= float(mean) <= high)
        for direction, mean in means
        if mean is not None
    )
