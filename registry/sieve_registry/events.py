"""Every kind of event the ledger holds, once: its text, its version, its payload and its codec.

A kind's text and the meaning of its fields stay forever once released. A later version may only
add fields, each marked `optional`, so that earlier payloads read back and keep their bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sieve_registry.codec import EventPayload, optional
from sieve_registry.figures import (
    ClothLink,
    DirectionFigures,
    EvidenceFile,
    LineLink,
    LostHead,
    Margin,
    StudyFigures,
)

# --- sieves ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SieveAdded(EventPayload, kind="sieve added", noun="the new sieve", version=2):
    """A sieve taken into the registry; lengths in whole nanometres, `details` those known."""

    id: str
    nominal_nm: int
    standard: str
    grade: str
    serial: str
    frame_nm: int | None
    in_service: date | None
    added_on: date
    interval_months: int
    interval_uses: int | None
    location: str
    maker: str
    details: Mapping[str, str] | None = optional(None, since=2)
    imported: Mapping[str, int] | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class SieveEdited(EventPayload, kind="sieve edited", noun="the change", version=2):
    """A change of intervals, location or details; None leaves a thing as it was."""

    interval_months: int | None
    interval_uses: int | None
    location: str | None
    details: Mapping[str, str] | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class SieveRetired(EventPayload, kind="sieve retired", noun="the retirement"):
    """The end of a sieve's service."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class SieveQuarantined(EventPayload, kind="sieve quarantined", noun="the quarantine"):
    """A sieve taken out of use until a check passes; `damage` if it was harmed."""

    reason: str
    damage: bool = False


@dataclass(frozen=True, kw_only=True)
class SieveReturned(EventPayload, kind="sieve returned", noun="the return"):
    """A sieve put back into use."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class SieveCleaned(EventPayload, kind="sieve cleaned", noun="the cleaning"):
    """A sieve cleaned or otherwise maintained."""

    method: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ClothReplaced(EventPayload, kind="cloth replaced", noun="the new cloth"):
    """New cloth in a sieve's frame."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class _UsePayload(EventPayload):
    """Uses of a day and how; masses in grams, times in minutes, what is unknown left out."""

    count: int
    note: str
    stack: str = optional("")
    method: str = optional("")
    material: str = optional("")
    abrasiveness: str = optional("")
    cleaning: str = optional("")
    mass_g: Decimal | None = optional(None)
    minutes: Decimal | None = optional(None)


@dataclass(frozen=True, kw_only=True)
class UseLogged(_UsePayload, kind="use logged", noun="the use", version=2):
    """Uses of one sieve; `run` is the event of the stack's run they belong to."""

    retained_g: Decimal | None = optional(None, since=2)
    run: int | None = optional(None, since=2)


@dataclass(frozen=True, kw_only=True)
class StackSet(EventPayload, kind="stack set", noun="the stack"):
    """The sieves of a stack, coarse on top."""

    sieves: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class StackRun(_UsePayload, kind="stack run", noun="the run"):
    """A run of a stack; `retained_g` by sieve id and "pan", grams."""

    sieves: tuple[str, ...]
    retained_g: Mapping[str, Decimal]


# --- checks and decisions --------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class CheckRecorded(EventPayload, kind="check recorded", noun="the check", version=4):
    """A check with the files that prove it; `cloth` is the earlier check of the same cloth.

    `visual` keeps what the eye saw, by whom and when; other mappings the measurement's own JSON.
    """

    check: str
    nominal_nm: int
    standard: str
    grade: str
    rule: str
    outcome: str
    action: str
    action_reason: str
    reasons: tuple[str, ...]
    fit: str
    x: DirectionFigures
    y: DirectionFigures
    margins: tuple[Margin, ...]
    images: tuple[Mapping[str, Any], ...]
    shares: tuple[Any, ...]
    scale: Mapping[str, Any] | None
    evidence: tuple[EvidenceFile, ...]
    measured_with: Mapping[str, Any] | None = optional(None)
    warnings: tuple[str, ...] = optional(())
    trace: Mapping[str, Any] | None = optional(None, since=2)
    light: Mapping[str, Any] | None = optional(None, since=3)
    imported: Mapping[str, int] | None = optional(None, since=2)
    visual: Mapping[str, str] | None = optional(None, since=3)
    cloth: ClothLink | None = optional(None, since=4)


@dataclass(frozen=True, kw_only=True)
class CheckSigned(EventPayload, kind="check signed", noun="the sign-off"):
    """A check signed off by a second person."""

    check: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ActionDecided(EventPayload, kind="action decided", noun="the decision"):
    """A person's decision after a check, beside the proposed action."""

    check: str
    proposed: str
    decided: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class ResultReviewed(EventPayload, kind="result reviewed", noun="the decision on a result"):
    """What became of a result of a bad sieve: `result` is a text of `ResultState`.

    `cause` and `use` are the events that put the result in question and that logged the use.
    """

    cause: int
    use: int
    result: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class DecisionRuleSet(EventPayload, kind="decision rule set", noun="the decision rule"):
    """The decision rule of a sieve's checks; `coarser` are pairs of standard and grade."""

    rule: str
    coarser: tuple[tuple[str, str], ...] = ()
    study: str = ""


@dataclass(frozen=True, kw_only=True)
class IntervalDecided(EventPayload, kind="interval decided", noun="the interval"):
    """A proposed interval that a person accepted; None is no limit by uses."""

    method: str
    months: int | None
    uses: int | None
    was_months: int | None
    was_uses: int | None
    reasons: tuple[str, ...]
    reason: str


@dataclass(frozen=True, kw_only=True)
class ReferenceChecked(EventPayload, kind="reference check recorded", noun="the reference check"):
    """A check with a reference: `kind` is beads, cement or master.

    `other` holds the figures of that kind as JSON values; `reference_rules` defines them.
    """

    kind: str
    material: str
    outcome: str


@dataclass(frozen=True, kw_only=True)
class RepeatabilityStudied(EventPayload, kind="repeatability study recorded", noun="the study"):
    """A repeatability study by direction, "both" where directions were not kept apart."""

    directions: Mapping[str, StudyFigures]


# --- artefacts, devices and scales -----------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ArtefactAdded(EventPayload, kind="artefact added", noun="the artefact"):
    """An artefact under a certificate: lengths in um, U = k u as printed."""

    kind: str
    nominal_pitch_um: float | None
    pitch_um: float | None
    nominal_line_um: float | None
    line_um: float | None
    expanded_pitch_um: float
    expanded_line_um: float
    k: float
    expansion_ppm_per_k: float | None
    certificate: str
    laboratory: str
    valid_from: date
    valid_to: date
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DeviceAdded(EventPayload, kind="device added", noun="the device", version=2):
    """A scanner or microscope at one setting; lengths in um, angles in degrees (see `Device`)."""

    kind: str
    serial: str
    setting: str
    light: str
    encoding: str
    stand_off_um: float
    allowance_um: float
    path_um: float
    sensor: str = optional("", since=2)
    lamp_deg: tuple[float, float] | None = optional(None, since=2)
    view_deg: tuple[float, float] | None = optional(None, since=2)
    line_um: tuple[float, float] | None = optional(None, since=2)
    u_lamp_deg: float | None = optional(None, since=2)
    u_view_deg: float | None = optional(None, since=2)
    depth_of_field_um: float | None = optional(None, since=2)
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ScaleCalibrated(EventPayload, kind="scale calibrated", noun="the scale"):
    """A scale of a device; `u_rel` relative standard uncertainties in x and y."""

    device: str
    setting: str
    artefact: str
    artefact_event: int
    certificate: str
    valid_until: date
    interval_months: int
    stand_off_um: float
    allowance_um: float
    path_um: float
    temperature_c: float | None
    range_c: tuple[float, float]
    um_per_px: tuple[float, float]
    u_rel: tuple[float, float]
    max_residual_um: float
    residual_rms_um: float
    marks: int
    warnings: tuple[str, ...]
    line: LineLink | None = optional(None)
    evidence: tuple[EvidenceFile, ...] = ()


@dataclass(frozen=True, kw_only=True)
class IlluminationMeasured(EventPayload, kind="illumination measured", noun="the illumination"):
    """What a device's lamp does to round wires; the content is that of an illumination file."""

    device: str
    setting: str
    valid_until: date
    interval_months: int
    source: str
    glow: tuple[float, float]
    u_glow: tuple[float, float]
    evidence: tuple[EvidenceFile, ...] = ()


# --- the ledger itself -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RecordCorrected(EventPayload, kind="record corrected", noun="the correction"):
    """How an earlier record of a sieve should read, or that it is void."""

    corrects: int
    corrects_hash: str
    kind: str
    reason: str
    void: bool
    was: Mapping[str, Any]
    now: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class ScaleChainCorrected(RecordCorrected, kind="scale chain corrected"):
    """The same for an artefact, a device or a scale."""


@dataclass(frozen=True, kw_only=True)
class LaboratoryRulesSet(EventPayload, kind="laboratory rules set"):
    """Whether every check needs a second person's sign-off."""

    sign_off: bool


@dataclass(frozen=True, kw_only=True)
class HeadSigned(EventPayload, kind="head signed"):
    """The hash of the event before, signed with a key (see `ledger.signing`)."""

    algorithm: str
    events: int
    head: str
    public_key: str
    signature: str


@dataclass(frozen=True, kw_only=True)
class LossAccepted(EventPayload, kind="loss accepted"):
    """A person confirmed that events known earlier are lost; recording continued without them."""

    reason: str
    lost: tuple[LostHead, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RecordsImported(EventPayload, kind="records imported"):
    """A table of sieves or past checks read in."""

    file: str
    what: str
    rows: int
    evidence: tuple[EvidenceFile, ...] = ()


EVENT_TYPES: tuple[type[EventPayload], ...] = (
    SieveAdded, SieveEdited, SieveRetired, SieveQuarantined, SieveReturned, SieveCleaned,
    ClothReplaced, UseLogged, StackSet, StackRun, CheckRecorded, CheckSigned, ActionDecided,
    ResultReviewed, DecisionRuleSet, IntervalDecided, ReferenceChecked, RepeatabilityStudied,
    ArtefactAdded, DeviceAdded, ScaleCalibrated, IlluminationMeasured, RecordCorrected,
    ScaleChainCorrected, LaboratoryRulesSet, HeadSigned, LossAccepted, RecordsImported,
)  # fmt: skip
KINDS: Mapping[str, type[EventPayload]] = {payload.KIND: payload for payload in EVENT_TYPES}
# Events of a sieve's life that have no table of their own: their subject is the sieve's id.
SIEVE_LIFE: tuple[type[EventPayload], ...] = (
    SieveQuarantined, SieveReturned, SieveCleaned, ClothReplaced, CheckSigned,
)  # fmt: skip


def decode(kind: str, payload: Mapping[str, Any]) -> EventPayload:
    """The typed payload of an event. Raises `KeyError` for an unknown kind, and as the codec."""
    return KINDS[kind].from_payload(payload)
