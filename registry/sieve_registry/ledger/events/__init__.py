"""Every kind of event the ledger holds, once: its text, its version, its payload and its codec.

A kind's text and the meaning of its fields stay forever once released. A later version may only
add fields, each marked `optional`, so that earlier payloads read back and keep their bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events.checks import (
    ActionDecided,
    CheckRecorded,
    CheckSigned,
    DecisionRuleSet,
    IntervalDecided,
    ReferenceChecked,
    RepeatabilityStudied,
    ResultReviewed,
)
from sieve_registry.ledger.events.equipment import (
    CertificateRecorded,
    EnvironmentLimitsSet,
    EquipmentAdded,
    EquipmentEdited,
    EquipmentLogged,
    EquipmentReported,
)
from sieve_registry.ledger.events.people import (
    AuthorisationGiven,
    AuthorisationWithdrawn,
    PasswordSet,
    PersonAdded,
    PersonChanged,
    PersonLeft,
)
from sieve_registry.ledger.events.proof import (
    FindingAnswered,
    FindingClosed,
    FindingRaised,
    HeadStamped,
    ProofRulesSet,
    ReportIssued,
    ReportWithdrawn,
    ValidationRecorded,
)
from sieve_registry.ledger.events.registry import (
    HeadSigned,
    LaboratoryRulesSet,
    LossAccepted,
    RecordCorrected,
    RecordsImported,
    ScaleChainCorrected,
)
from sieve_registry.ledger.events.scales import (
    ArtefactAdded,
    DeviceAdded,
    IlluminationMeasured,
    ScaleCalibrated,
)
from sieve_registry.ledger.events.sieves import (
    ClothReplaced,
    SieveAdded,
    SieveCleaned,
    SieveEdited,
    SieveQuarantined,
    SieveRetired,
    SieveReturned,
    StackRun,
    StackSet,
    UseLogged,
)

__all__ = [
    "EVENT_TYPES",
    "KINDS",
    "SIEVE_LIFE",
    "ActionDecided",
    "ArtefactAdded",
    "AuthorisationGiven",
    "AuthorisationWithdrawn",
    "CertificateRecorded",
    "CheckRecorded",
    "CheckSigned",
    "ClothReplaced",
    "DecisionRuleSet",
    "DeviceAdded",
    "EnvironmentLimitsSet",
    "EquipmentAdded",
    "EquipmentEdited",
    "EquipmentLogged",
    "EquipmentReported",
    "FindingAnswered",
    "FindingClosed",
    "FindingRaised",
    "HeadSigned",
    "HeadStamped",
    "IlluminationMeasured",
    "IntervalDecided",
    "LaboratoryRulesSet",
    "LossAccepted",
    "PasswordSet",
    "PersonAdded",
    "PersonChanged",
    "PersonLeft",
    "ProofRulesSet",
    "RecordCorrected",
    "RecordsImported",
    "ReferenceChecked",
    "RepeatabilityStudied",
    "ReportIssued",
    "ReportWithdrawn",
    "ResultReviewed",
    "ScaleCalibrated",
    "ScaleChainCorrected",
    "SieveAdded",
    "SieveCleaned",
    "SieveEdited",
    "SieveQuarantined",
    "SieveRetired",
    "SieveReturned",
    "StackRun",
    "StackSet",
    "UseLogged",
    "ValidationRecorded",
    "decode",
]

EVENT_TYPES: tuple[type[EventPayload], ...] = (
    SieveAdded, SieveEdited, SieveRetired, SieveQuarantined, SieveReturned, SieveCleaned,
    ClothReplaced, UseLogged, StackSet, StackRun, CheckRecorded, CheckSigned, ActionDecided,
    ResultReviewed, DecisionRuleSet, IntervalDecided, ReferenceChecked, RepeatabilityStudied,
    ArtefactAdded, DeviceAdded, ScaleCalibrated, IlluminationMeasured, RecordCorrected,
    ScaleChainCorrected, LaboratoryRulesSet, HeadSigned, LossAccepted, RecordsImported,
    PersonAdded, PersonChanged, PersonLeft, AuthorisationGiven, AuthorisationWithdrawn, PasswordSet,
    CertificateRecorded, EquipmentAdded, EquipmentEdited, EquipmentLogged, EquipmentReported,
    EnvironmentLimitsSet,
    ReportIssued, ReportWithdrawn, ValidationRecorded, FindingRaised, FindingAnswered,
    FindingClosed, HeadStamped, ProofRulesSet,
)  # fmt: skip
KINDS: Mapping[str, type[EventPayload]] = {payload.KIND: payload for payload in EVENT_TYPES}
# Events of a sieve's life that have no table of their own: their subject is the sieve's id.
SIEVE_LIFE: tuple[type[EventPayload], ...] = (
    SieveQuarantined, SieveReturned, SieveCleaned, ClothReplaced, CheckSigned,
    CertificateRecorded,
)  # fmt: skip


def decode(kind: str, payload: Mapping[str, Any]) -> EventPayload:
    """The typed payload of an event. Raises `KeyError` for an unknown kind, and as the codec."""
    return KINDS[kind].from_payload(payload)
