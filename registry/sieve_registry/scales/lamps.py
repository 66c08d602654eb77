"""Illuminations of devices: recorded with the reference cloth, and chosen for a check.

A check uses the illumination it names or the angles it states, else the newest valid record of its
device, else the lamp and view in the device's own record.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_registry.errors import EvidenceError
from sieve_registry.ledger.events import IlluminationMeasured
from sieve_registry.ledger.records import Fact
from sieve_registry.scales.artefacts import device_named
from sieve_registry.scales.choice import names_a_file
from sieve_registry.scales.corrections import live_facts
from sieve_registry.scales.equipment_use import used_equipment
from sieve_registry.scales.errors import IlluminationRefusedError, UnknownThingError
from sieve_registry.sieves.facts import record_with_evidence
from sieve_registry.sieves.recording import EvidenceSource, RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import add_months, clean_count, clean_id

if TYPE_CHECKING:
    from sieve_inspect.illumination.model import Illumination


@dataclass(frozen=True)
class KeptIllumination:
    """A recorded illumination; `event` is its number in the ledger."""

    name: str
    event: int
    on_date: date
    valid_until: date
    device: str
    illumination: Illumination
    equipment: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def record_illumination(
    registry: Registry,
    name: str,
    lit: Illumination,
    device_id: str,
    images: Sequence[Path],
    interval_months: int,
    terms: RecordTerms,
    *,
    equipment: Sequence[str] = (),
) -> KeptIllumination:
    """Record an illumination of a device with its scans as evidence.

    `equipment` names what else was used, such as a micrometer. Raises `UnknownThingError`,
    `EquipmentRefusedError`, `UsageError`, `DateRefusedError`, `EvidenceError`.
    """
    device, day = device_named(registry, device_id), terms.on_date or registry.today()
    used = used_equipment(registry, equipment, day)
    months = clean_count("interval in months", interval_months, 1200)
    assert months is not None
    until = add_months(day, months)
    lit = replace(lit, device=device.id, valid_until=until.isoformat())
    payload = IlluminationMeasured(
        device=device.id,
        setting=device.setting,
        valid_until=until,
        interval_months=months,
        source=lit.source,
        glow=lit.glow,
        u_glow=lit.u_glow,
        equipment=used.ids,
        warnings=used.to_note,
    )
    text = json.dumps(lit.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files: list[EvidenceSource] = [(text.encode(), "illumination", "illumination.json")]
    files += [(image, "scan", image.name) for image in images]
    event = record_with_evidence(registry, clean_id(name), payload, terms, files)
    facts = live_facts(registry, clean_id(name), [IlluminationMeasured])
    return next(_kept(registry, fact) for fact in facts if fact.seq == event.seq)


def illuminations_of(registry: Registry, device_id: str, day: date) -> list[KeptIllumination]:
    """A device's illuminations valid on a day, the newest last."""
    facts = live_facts(registry, None, [IlluminationMeasured])
    own = [fact for fact in facts if fact.payload.device == device_id]
    valid = [fact for fact in own if fact.on_date <= day <= fact.payload.valid_until]
    return [_kept(registry, fact) for fact in sorted(valid, key=_when)]


def illumination_for(
    registry: Registry, device_id: str | None, day: date, note: Callable[[str], None]
) -> Illumination:
    """The illumination on record for a device (None: not known) on a day.

    `note` gets a sentence where the device has none.
    """
    from sieve_inspect.illumination.model import NOT_STATED

    if device_id is None:
        return NOT_STATED
    if valid := illuminations_of(registry, device_id, day):
        return valid[-1].illumination
    lit = device_named(registry, device_id).illumination()
    if lit == NOT_STATED:
        note(
            f"device {device_id} has no lamp and view on record, which leaves "
            f"±{200 * math.hypot(*lit.u_glow[:1], *lit.u_view[:1]):.2g} % of a wire or more "
            "unknown: measure a reference cloth with `sieveward illumination`"
        )
    return lit


def named_illumination(
    registry: Registry, name: str, device_id: str | None, day: date
) -> Illumination:
    """The recorded illumination of that name on a day, else that in the file of that name.

    Raises `UnknownThingError`, `IlluminationRefusedError` for another device or an expired record,
    `IlluminationError` for an unusable file.
    """
    from sieve_inspect.illumination.model import load_illumination

    wanted = [IlluminationMeasured]
    facts = [] if names_a_file(name) else live_facts(registry, clean_id(name), wanted)
    if facts:
        before = [fact for fact in facts if fact.on_date <= day]
        if not before:
            first = min(fact.on_date for fact in facts)
            advice = f"not on {day}, it was first measured on {first}"
            raise UnknownThingError(what="illumination", name=name, advice=advice)
        lit = _kept(registry, max(before, key=_when)).illumination
    elif names_a_file(name) or Path(name).is_file():
        lit = load_illumination(Path(name))
    else:
        raise UnknownThingError(
            what="recorded illumination and no file",
            name=name,
            advice="measure a reference cloth with `sieveward illumination … --device`",
        )
    if lit.device and device_id is not None and lit.device != device_id:
        raise IlluminationRefusedError(
            name=name,
            reason=f"it belongs to device {lit.device}, not {device_id}",
            advice="Measure a reference cloth under the lamp of this device",
        )
    if lit.valid_until and day.isoformat() > lit.valid_until:
        raise IlluminationRefusedError(
            name=name,
            reason=f"it was valid until {lit.valid_until}, not on {day}",
            advice="Measure the reference cloth again with `sieveward illumination`",
        )
    return lit


def refuse_other_lamp(document: Mapping[str, Any], lit: Illumination) -> None:
    """Raise `IlluminationRefusedError` where scans show another lamp than their reference cloth.

    `document` is that of a measurement corrected for `lit`.
    """
    from sieve_inspect.illumination.model import LightKnown

    if lit.known is LightKnown.REFERENCE and document.get("light", {}).get("other_lamp"):
        raise IlluminationRefusedError(
            name=lit.source,
            reason="the light on the sides of the wires is not that of its reference cloth",
            advice="Measure the reference cloth again under the lamp in use, or state the lamp "
            "with --lamp-angle",
        )


def _when(fact: Fact[IlluminationMeasured]) -> tuple[date, int]:
    return fact.on_date, fact.seq


def _kept(registry: Registry, fact: Fact[IlluminationMeasured]) -> KeptIllumination:
    """The record with its content read from evidence. Raises `EvidenceError`."""
    from sieve_inspect.illumination.model import Illumination

    payload = fact.payload
    for file in payload.evidence:
        if file.role == "illumination":
            data = json.loads(registry.evidence.read(file.sha256, file.extension))
            lit = Illumination.from_dict(data)
            record = f"{lit.source}; illumination {fact.subject}, event {fact.seq}"
            lit = replace(lit, valid_until=payload.valid_until.isoformat(), source=record)
            return KeptIllumination(
                fact.subject, fact.seq, fact.on_date, payload.valid_until, payload.device, lit,
                payload.equipment, payload.warnings,
            )  # fmt: skip
    raise EvidenceError(name=fact.subject, reason="no illumination file was kept with it")
