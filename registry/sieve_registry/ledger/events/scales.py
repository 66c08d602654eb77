"""Events of artefacts, devices, scales and illuminations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sieve_registry.ledger.codec import EventPayload, optional
from sieve_registry.ledger.figures import EvidenceFile, LineLink


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
class IlluminationMeasured(
    EventPayload, kind="illumination measured", noun="the illumination", version=2
):
    """What a device's lamp does to round wires; the content is that of an illumination file.

    `equipment` names the equipment used, such as a micrometer, `warnings` what was to be known of
    it.
    """

    device: str
    setting: str
    valid_until: date
    interval_months: int
    source: str
    glow: tuple[float, float]
    u_glow: tuple[float, float]
    equipment: tuple[str, ...] = optional((), since=2)
    warnings: tuple[str, ...] = optional((), since=2)
    evidence: tuple[EvidenceFile, ...] = ()
