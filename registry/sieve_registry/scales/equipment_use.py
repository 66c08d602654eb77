"""Equipment in use: what a record names, refused where out of use, and what is to be known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from sieve_registry.ledger.choices import EquipmentAct
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.equipment import (
    Equipment,
    EquipmentState,
    recorded_equipment,
)
from sieve_registry.scales.errors import EquipmentRefusedError, UnknownThingError
from sieve_registry.store.engine import Registry

_MOVES_OPTICS = (EquipmentAct.REPAIR, EquipmentAct.ADJUSTMENT, EquipmentAct.DAMAGE)


def standing_for(pieces: Iterable[Equipment], name: str) -> list[Equipment]:
    """The pieces that stand for a device or an artefact: by their own name, or naming it."""
    wanted = name.casefold()
    return [p for p in pieces if wanted in {p.id.casefold(), *(n.casefold() for n in p.names)}]


def refuse_out_of_use(piece: Equipment, name: str) -> None:
    """Raise `EquipmentRefusedError` where a piece used as `name` is quarantined or retired."""
    since = piece.state_since
    if piece.state == EquipmentState.IN_USE or since is None:
        return
    returnable = piece.state == EquipmentState.QUARANTINED
    raise EquipmentRefusedError(
        name=name,
        reason=f"{piece.state} since {since.on_date} ({since.payload.note})",
        advice="return it after a passed check, or use another" if returnable else "use another",
    )


def cautions(registry: Registry, names: Iterable[str | None], day: date) -> list[str]:
    """What is to be known of devices and artefacts that measure on a day, a sentence each.

    Raises `EquipmentRefusedError` where one is quarantined or retired on that day.
    """
    pieces = recorded_equipment(registry, day)
    sentences = []
    for name in dict.fromkeys(name for name in names if name):
        for piece in standing_for(pieces, name):
            refuse_out_of_use(piece, name)
            sentences += [f"{name}: {finding.message}" for finding in piece.findings]
    return sentences


def optics_of(registry: Registry, scale: CheckScale, day: date) -> str:
    """A name for the optics of a scale's device on a day, "" where no device is known.

    Scans with the same name share their edge bias: one device at one setting, until it is repaired,
    adjusted or damaged.
    """
    if scale.device is None:
        return ""
    log = [f for p in standing_for(recorded_equipment(registry, day), scale.device) for f in p.log]
    changes = [fact.seq for fact in log if fact.payload.act in _MOVES_OPTICS]
    since = f", since event {max(changes)}" if changes else ""
    return f"{scale.device}, {scale.setting}{since}"


@dataclass(frozen=True)
class UsedEquipment:
    """The pieces that a record names as used, and what is to be known of them, a sentence each."""

    ids: tuple[str, ...] = ()
    to_note: tuple[str, ...] = ()


def used_equipment(registry: Registry, names: Iterable[str], day: date) -> UsedEquipment:
    """The pieces that a record names as used on a day, and what is to be known of them.

    Raises `UnknownThingError`, `EquipmentRefusedError` where one is quarantined or retired.
    """
    known = recorded_equipment(registry, day)
    ids = tuple(dict.fromkeys(_named(registry, known, name, day) for name in names))
    return UsedEquipment(ids, tuple(cautions(registry, ids, day)))


def _named(registry: Registry, known: Sequence[Equipment], name: str, day: date) -> str:
    """The id of a known piece by its name or one that it stands for."""
    for piece in standing_for(known, name):
        return piece.id
    later = standing_for(recorded_equipment(registry), name)
    advice = "`sieveward equipment list` shows all"
    if later:
        advice = f"it was added after {day}, the day of this record"
    raise UnknownThingError(what="piece of equipment", name=name, advice=advice)
