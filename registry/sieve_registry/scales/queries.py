"""Questions about artefacts and devices that more than one kind of record answers."""

from __future__ import annotations

from sieve_registry.ledger.events import ArtefactAdded, ScaleCalibrated
from sieve_registry.ledger.records import Correction
from sieve_registry.scales.artefacts import Device
from sieve_registry.scales.corrections import amendments
from sieve_registry.sieves.facts import facts_of
from sieve_registry.store.engine import Registry


def corrections_of_artefact(registry: Registry, artefact_id: str) -> list[Correction]:
    """Every later correction of an artefact's certificates."""
    kind = ArtefactAdded.KIND
    return [made for made in amendments(registry, artefact_id) if made.kind == kind]


def corrections_of_device(registry: Registry, device: Device) -> list[Correction]:
    """Every later correction of a device and of its scales, void scales included."""
    scales = facts_of(registry, None, [ScaleCalibrated])
    own = [scale.seq for scale in scales if scale.payload.device == device.id]
    return amendments(registry, [device.event, *own])
