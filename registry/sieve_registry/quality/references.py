"""Reference checks of a sieve beside its optical checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from sieve_inspect.verdict.model import Value
from sieve_registry.ledger.choices import CheckMethod, EquipmentKind
from sieve_registry.ledger.codec import plain_object
from sieve_registry.ledger.events import CheckRecorded, ReferenceChecked
from sieve_registry.ledger.records import Check, Event, Fact
from sieve_registry.outlook.cloth_history import moment
from sieve_registry.quality.reference_rules import Beads, Cement, CheckKind, Master, e_n
from sieve_registry.scales.environment import (
    NOT_RECORDED,
    Environment,
    limits_of,
    to_record,
)
from sieve_registry.scales.equipment import recorded_equipment
from sieve_registry.scales.equipment_use import refuse_out_of_use, used_equipment
from sieve_registry.scales.errors import EquipmentRefusedError
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import current_facts_of, facts_of, record_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text


@dataclass(frozen=True)
class Entry:
    """A check in a sieve's history, optical or with a reference."""

    on_date: date
    seq: int
    kind: CheckKind
    name: str
    result: str
    outcome: str
    payload: Mapping[str, Any]


def record(
    registry: Registry,
    sieve_id: str,
    result: Beads | Cement | Master,
    material: str,
    terms: RecordTerms,
    accept_expired: str = "",
    environment: Environment = NOT_RECORDED,
    equipment: Sequence[str] = (),
    **more: Any,
) -> Event:
    """Record a reference check; `material` names lot and certificate, or the master sieve.

    Where it is the name of equipment of that kind its record is looked at; `equipment` names what
    else was used, such as a balance. Raises `EquipmentRefusedError` for a piece that is quarantined
    or retired, or material that is expired without a reason in `accept_expired`;
    `UnknownThingError` for equipment that is not on record.
    """
    day = terms.on_date or registry.today()
    more |= _accepted(registry, material, day, clean_text("reason", accept_expired))
    used = used_equipment(registry, equipment, day)
    kept = to_record(environment, limits_of(registry, CheckMethod.REFERENCE, day))
    more |= {} if kept is None else {"environment": kept}
    payload = ReferenceChecked(
        kind=result.KIND.value,
        material=clean_text("reference material", material, needed=True),
        outcome=result.outcome,
        equipment=used.ids,
        warnings=used.to_note,
        other=plain_object({**asdict(result), **more}),
    )
    return record_fact(registry, sieve_id, payload, terms)


def _accepted(registry: Registry, material: str, day: date, reason: str) -> dict[str, str]:
    """Why expired material is used, where it is on record and expired. Raises as `record`."""
    kind, name = EquipmentKind.REFERENCE_MATERIAL, material.strip().casefold()
    pieces = (piece for piece in recorded_equipment(registry, day) if piece.kind == kind)
    known = next((piece for piece in pieces if piece.id.casefold() == name), None)
    if known is None:
        return {}
    refuse_out_of_use(known, material)
    if not known.expired:
        return {}
    if not reason:
        raise EquipmentRefusedError(
            name=material,
            reason=f"valid only to {known.valid_to}",
            advice="use valid material, or give a reason: --accept-expired REASON",
        )
    return {"accepted_expired": f"valid to {known.valid_to}: {reason}"}


def optical_mean(registry: Registry, check: Check) -> tuple[float, float] | None:
    """Mean aperture of both directions of an optical check and its U (95.45 %), um.

    U = k u with the k recorded in the margins of the check, 2 in records without. The two
    directions share their scale, so their uncertainties are not averaged down.
    """
    if check.x.u_mean_um is None or check.y.u_mean_um is None:
        return None
    mean = (float(check.x.mean_um) + float(check.y.mean_um)) / 2
    facts = facts_of(registry, check.sieve_id, [CheckRecorded])
    margins = next(fact.payload.margins for fact in facts if fact.payload.check == check.id)
    k = {row.direction: row.k for row in margins if row.name == Value.MEAN}
    parts = (("x", check.x.u_mean_um), ("y", check.y.u_mean_um))
    return mean, sum(float(k.get(direction) or 2) * float(u) / 2 for direction, u in parts)


def e_n_against_optical(registry: Registry, check: Check | None, result: Beads) -> float | None:
    """E_n of the beads' aperture against the last optical check; None where U is not known."""
    optical = None if check is None else optical_mean(registry, check)
    if optical is None or result.U_um is None:
        return None
    return e_n(result.aperture_um, result.U_um, *optical)


def timeline(registry: Registry, sieve_id: str, day: date) -> list[Entry]:
    """Optical and reference checks of a sieve up to a day, in the order they were made."""
    history = sieve_queries.get_history(registry, sieve_id)
    entries = [
        Entry(
            on_date=check.on_date,
            seq=check.seq,
            kind=CheckKind.OPTICAL,
            name=check.id,
            result=f"x {check.x.mean_um:.2f}, y {check.y.mean_um:.2f} um",
            outcome=check.outcome,
            payload={},
        )
        for check in history.checks
    ]
    entries += map(_entry, current_facts_of(registry, history.sieve.id, [ReferenceChecked]))
    return sorted((entry for entry in entries if entry.on_date <= day), key=moment)


def _entry(fact: Fact[ReferenceChecked]) -> Entry:
    payload, stored = fact.payload, fact.payload.to_payload()
    kind, result = CheckKind(payload.kind), _result(stored)
    place = (fact.on_date, fact.seq)
    return Entry(*place, kind, payload.material, result, payload.outcome, stored)


def _result(stored: Mapping[str, Any]) -> str:
    if stored["kind"] == CheckKind.BEADS:
        return f"effective aperture {float(stored['aperture_um']):.2f} um"
    if stored["kind"] == CheckKind.CEMENT:
        return f"C = {float(stored['factor']):.3f}"
    e_number = stored.get("e_n")
    tail = "" if e_number is None else f", E_n = {float(e_number):+.2f}"
    return f"{float(stored['difference']):+.2f} % retained{tail}"
