"""Events of equipment, of the environment, and of certificates of outside laboratories."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sieve_registry.ledger.codec import EventPayload, optional
from sieve_registry.ledger.figures import CertifiedDirection, EvidenceFile


@dataclass(frozen=True, kw_only=True)
class CertificateRecorded(EventPayload, kind="certificate recorded", noun="the certificate"):
    """A sieve measured by an outside laboratory, on the day of its work.

    `k` is the coverage factor of every expanded uncertainty in it. `outcome` is the laboratory's,
    "not judged" where it states none. `imported` is the row of a table it came from.
    """

    number: str
    laboratory: str
    accreditation: str
    standard: str
    outcome: str
    k: Decimal
    x: CertifiedDirection
    y: CertifiedDirection
    next_due: date | None
    note: str = optional("")
    imported: Mapping[str, int] | None = optional(None)
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class EquipmentAdded(EventPayload, kind="equipment added", noun="the equipment"):
    """A piece of equipment (ISO/IEC 17025:2017, 6.4.13); "" and None are not known.

    `kind` is a text of `EquipmentKind`; `criterion` what it has to conform to; `names` those of the
    devices and artefacts of the registry that are this piece; `valid_to` the last day on which a
    reference material may be used.
    """

    kind: str
    maker: str
    model: str
    serial: str
    firmware: str
    driver: str
    place: str
    criterion: str
    names: tuple[str, ...]
    received: date | None
    valid_to: date | None
    next_due: date | None
    note: str = optional("")
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class EquipmentEdited(EventPayload, kind="equipment edited", noun="the change"):
    """New texts of some fields of a piece of equipment, which count from that day on."""

    changes: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class EquipmentLogged(EventPayload, kind="equipment event", noun="the equipment's event"):
    """What happened to a piece of equipment; `act` is a text of `EquipmentAct`.

    `outcome` is pass or fail for a check, else "". `next_due` is the next day for it; None leaves
    the day as it was.
    """

    act: str
    outcome: str
    note: str
    next_due: date | None
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class EquipmentReported(EquipmentLogged, kind="equipment trouble reported", noun="the report"):
    """Damage or a quarantine, which anybody may report; otherwise the same."""


@dataclass(frozen=True, kw_only=True)
class EnvironmentLimitsSet(EventPayload, kind="environment limits set", noun="the limits"):
    """The laboratory's limits of temperature and humidity from a day on; None: no limit.

    `method` is a text of `CheckMethod`, "" for every method without limits of its own.
    """

    method: str
    temperature_c: tuple[float, float] | None
    humidity_percent: tuple[float, float] | None
