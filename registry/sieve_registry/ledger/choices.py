"""What events say by a choice of words. Little is imported: options of commands read them."""

from __future__ import annotations

from enum import StrEnum


class ResultState(StrEnum):
    """What became of a result that a bad sieve put in question, as the ledger writes it."""

    NOT_AFFECTED = "not affected"
    AFFECTED = "affected"
    CUSTOMER_TOLD = "affected, customer told"


class CheckMethod(StrEnum):
    """How a sieve is checked: optically, or with reference material."""

    OPTICAL = "optical"
    REFERENCE = "reference"


class EquipmentKind(StrEnum):
    """Kinds of equipment."""

    DEVICE = "device"
    ARTEFACT = "artefact"
    REFERENCE_MATERIAL = "reference-material"
    BALANCE = "balance"
    SHAKER = "shaker"
    THERMOMETER = "thermometer"
    HYGROMETER = "hygrometer"
    MICROMETER = "micrometer"
    OTHER = "other"


class EquipmentAct(StrEnum):
    """What happens to equipment."""

    CHECK = "check"
    ADJUSTMENT = "adjustment"
    DAMAGE = "damage"
    REPAIR = "repair"
    QUARANTINE = "quarantine"
    RETURN = "return"
    RETIREMENT = "retirement"
