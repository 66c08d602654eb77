"""Scales of devices: recorded with the artefact they come from, read back from the ledger."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_inspect.units import format_length
from sieve_registry.errors import EvidenceError
from sieve_registry.ledger.codec import shared_fields
from sieve_registry.ledger.events import ScaleCalibrated
from sieve_registry.ledger.figures import EvidenceFile, LineLink
from sieve_registry.ledger.records import Fact
from sieve_registry.scales.artefacts import (
    CertifiedArtefact,
    Device,
    certificates_of,
    device_named,
)
from sieve_registry.scales.corrections import live_facts
from sieve_registry.scales.errors import (
    ArtefactExpiredError,
    ScaleExpiredError,
    TemperatureError,
    UnknownThingError,
)
from sieve_registry.scales.surroundings import of_artefact
from sieve_registry.sieves.facts import record_with_evidence
from sieve_registry.sieves.recording import EvidenceSource, RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import add_months, clean_count, clean_id

if TYPE_CHECKING:
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.calibration import Calibration
    from sieve_inspect.scale.model import Scale

DEFAULT_MONTHS = 12
TEMPERATURES_C = (15.0, 30.0)  # common practice, no source

_OF_BASE = (
    "artefact", "artefact_event", "certificate", "stand_off_um", "temperature_c", "range_c"
)  # fmt: skip


@dataclass(frozen=True)
class ScaleConditions:
    """Conditions of a calibration and limits of its use; None: as the device, or unknown."""

    interval_months: int = DEFAULT_MONTHS
    stand_off_um: float | None = None
    temperature_c: float | None = None
    range_c: tuple[float, float] = TEMPERATURES_C


@dataclass(frozen=True)
class KeptScale:
    """A recorded scale: `u_rel_…` are relative standard uncertainties, `event` its number."""

    name: str
    event: int
    on_date: date
    valid_until: date
    person: str
    device: str
    artefact: str
    artefact_event: int
    certificate: str
    setting: str
    stand_off_um: float
    allowance_um: float
    path_um: float
    temperature_c: float | None
    range_c: tuple[float, float]
    um_per_px: tuple[float, float]
    u_rel: tuple[float, float]
    max_residual_um: float
    residual_rms_um: float
    evidence: tuple[EvidenceFile, ...]
    line: LineLink | None = None

    def file(self, registry: Registry) -> dict[str, Any]:
        """The content of its scale file. Raises `EvidenceError`, `EvidenceAlteredError`."""
        for file in self.evidence:
            if file.role == "scale":
                return dict(json.loads(registry.evidence.read(file.sha256, file.extension)))
        raise EvidenceError(name=self.name, reason="no scale file was kept with it")

    def scale(self, registry: Registry) -> Scale:
        """The scale itself, from its evidence file, seen by its device. Raises as `file`."""
        from sieve_inspect.scale.model import Scale

        sensor = device_named(registry, self.device).sees_by
        return replace(Scale.from_dict(self.file(registry)), sensor=sensor)

    def to_dict(self) -> dict[str, Any]:
        """For JSON; `U_rel_…` are relative and expanded, k = 2."""
        return {
            "name": self.name,
            "event": self.event,
            "date": self.on_date.isoformat(),
            "valid_until": self.valid_until.isoformat(),
            "by": self.person,
            "device": self.device,
            "artefact": self.artefact,
            "setting": self.setting,
            "stand_off_um": self.stand_off_um,
            "temperature_c": self.temperature_c,
            "temperature_range_c": list(self.range_c),
            "um_per_px_x": self.um_per_px[0],
            "um_per_px_y": self.um_per_px[1],
            "U_rel_x": 2 * self.u_rel[0],
            "U_rel_y": 2 * self.u_rel[1],
            "max_residual_um": self.max_residual_um,
            "residual_rms_um": self.residual_rms_um,
            "line": None if self.line is None else self.line.to_payload(),
            "evidence": [file.to_payload() for file in self.evidence],
        }


def warmed(
    calibration: Calibration, artefact: CertifiedArtefact, conditions: ScaleConditions
) -> Calibration:
    """The calibration corrected for the artefact's expansion from 20 degrees, the rest in u."""
    from sieve_inspect.scale.calibration import BudgetRow, ScaleSource

    if conditions.temperature_c is None:
        return calibration
    effect = of_artefact(artefact.expansion_ppm_per_k, conditions.temperature_c)
    row = BudgetRow(ScaleSource.TEMPERATURE, effect.u_rel, effect.u_rel)
    factor = 1 + effect.correction_rel
    x, y = calibration.mean_um_per_px
    return replace(
        calibration,
        scale=effect.within(calibration.scale),
        mean_um_per_px=(factor * x, factor * y),
        budget=(*calibration.budget, row),
    )


def certificate_for(registry: Registry, artefact_id: str, day: date) -> CertifiedArtefact:
    """The artefact under a certificate valid that day. Raises `ArtefactExpiredError`."""
    certificates = certificates_of(registry, artefact_id)
    valid = [c for c in certificates if c.valid_on(day)]
    if not valid:
        raise expired_error(certificates[-1], day, "")
    return valid[-1]


def expired_error(last: CertifiedArtefact, day: date, other: str) -> ArtefactExpiredError:
    """The error for an artefact whose last certificate is not valid on a day."""
    span = f"its last is {last.certificate}, valid {last.valid_from} to {last.valid_to}"
    return ArtefactExpiredError(artefact=last.id, day=day, span=span, other=other)


def base_scale(registry: Registry, name: str, device: Device, day: date) -> KeptScale:
    """The recorded scale of a device a single line may amend on a day.

    Raises `UnknownThingError`, `ScaleExpiredError`, `UsageError` for the scale of another device.
    """
    base = kept_scale(registry, name, day)
    if base is None:
        raise UnknownThingError(
            what="recorded scale", name=name, advice="record the scale that --base names first"
        )
    if base.device != device.id:
        raise UsageError(
            message=f"The scale {base.name!r} belongs to device {base.device}, not {device.id}."
        )
    if day > base.valid_until:
        raise ScaleExpiredError(
            scale=base.name, since=base.on_date, until=base.valid_until, day=day
        )
    return base


def record_scale(
    registry: Registry,
    name: str,
    calibration: Calibration | LineCalibration,
    artefact: CertifiedArtefact,
    device: Device,
    conditions: ScaleConditions,
    terms: RecordTerms,
    *,
    max_residual_um: float,
    residual_picture: bytes,
    base: KeptScale | None = None,
) -> KeptScale:
    """Record a calibration of a device under a name; later ones of that name follow it.

    With a `base` the artefact is a single line: pitch, conditions and the last valid day are those
    of the base. Raises `UsageError` for implausible conditions or a name of another device,
    `DateRefusedError`.
    """
    scale_name, day = clean_id(name), terms.on_date or registry.today()
    months = clean_count("interval in months", conditions.interval_months, 1200)
    assert months is not None
    low, high = conditions.range_c
    if not -50 <= low < high <= 100:
        raise UsageError(message=f"A range of {low:g} to {high:g} degrees is not plausible.")
    if conditions.temperature_c is not None and not low <= conditions.temperature_c <= high:
        raise TemperatureError(scale=scale_name, given=conditions.temperature_c, low=low, high=high)
    s = calibration.scale
    payload = ScaleCalibrated(
        device=device.id,
        setting=device.setting,
        artefact=artefact.id,
        artefact_event=artefact.event,
        certificate=artefact.certificate,
        valid_until=add_months(day, months),
        interval_months=months,
        stand_off_um=_height_of_artefact(device, conditions, base),
        allowance_um=device.allowance_um,
        path_um=device.path_um,
        temperature_c=conditions.temperature_c,
        range_c=(low, high),
        um_per_px=(s.um_per_px_x, s.um_per_px_y),
        u_rel=(s.u_rel_x, s.u_rel_y),
        max_residual_um=max_residual_um,
        residual_rms_um=calibration.residual_rms_um,
        marks=calibration.marks_used,
        warnings=tuple(calibration.warnings),
    )
    if base is not None:
        payload = _amended(payload, base, artefact)
    text = json.dumps(calibration.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files: list[EvidenceSource] = [
        (text.encode(), "scale", "scale.json"),
        (residual_picture, "residuals", "residuals.png"),
    ]

    def refuse(connection: Connection) -> None:
        for fact in reader.facts(connection, [ScaleCalibrated], scale_name):
            if fact.payload.device != device.id:
                raise UsageError(
                    message=f"The scale {scale_name!r} belongs to device {fact.payload.device}: "
                    "choose another --name."
                )

    event = record_with_evidence(registry, scale_name, payload, terms, files, refuse)
    facts = live_facts(registry, scale_name, [ScaleCalibrated])
    return next(_scale(fact) for fact in facts if fact.seq == event.seq)


def _height_of_artefact(
    device: Device, conditions: ScaleConditions, base: KeptScale | None
) -> float:
    """Height (um) of the artefact above the glass. Raises `UsageError` where nobody stated it."""
    if base is not None:
        return base.stand_off_um
    if conditions.stand_off_um is not None:
        return conditions.stand_off_um
    if device.stand_off_um:
        raise UsageError(
            message=f"Height of the artefact missing: device {device.id} holds the cloth "
            f"{format_length(device.stand_off_um)} above the glass, and the artefact may have lain "
            "elsewhere. Give `stand_off`, 0um for an artefact on the glass."
        )
    return 0.0


def _amended(payload: ScaleCalibrated, base: KeptScale, line: CertifiedArtefact) -> ScaleCalibrated:
    """The payload of a scale a single line amends: conditions and certificate of its base.

    An amended base passes on its own base, so that a chain never has two lines.
    """
    root = (base.name, base.event) if base.line is None else (base.line.base, base.line.base_event)
    return replace(
        payload,
        valid_until=min(payload.valid_until, base.valid_until),
        **{name: getattr(base, name) for name in _OF_BASE},
        line=LineLink(line.id, line.event, line.certificate, *root),
    )


def kept_scale(registry: Registry, name: str, day: date) -> KeptScale | None:
    """The scale of that name as last calibrated up to a day, or None.

    Raises `UnknownThingError` when it was calibrated only later.
    """
    scales = [_scale(fact) for fact in live_facts(registry, name, [ScaleCalibrated])]
    before = [scale for scale in scales if scale.on_date <= day]
    if scales and not before:
        first = min(scale.on_date for scale in scales)
        raise UnknownThingError(
            what="scale", name=name, advice=f"not on {day}, it was first calibrated on {first}"
        )
    return max(before, key=lambda scale: (scale.on_date, scale.event), default=None)


def history_of_device(registry: Registry, device_id: str) -> list[KeptScale]:
    """Every scale of a device by the day of its calibration. Raises `UnknownThingError`."""
    device = device_named(registry, device_id)
    calibrated = live_facts(registry, None, [ScaleCalibrated])
    own = [_scale(fact) for fact in calibrated if fact.payload.device == device.id]
    return sorted(own, key=lambda scale: (scale.on_date, scale.event))


def _scale(fact: Fact[ScaleCalibrated]) -> KeptScale:
    return KeptScale(
        name=fact.subject,
        event=fact.seq,
        on_date=fact.on_date,
        person=fact.person,
        **shared_fields(KeptScale, fact.payload),
    )
