"""Certified artefacts and the devices they calibrate, recorded as events of the ledger.

A scale starts from the certificate of an artefact. Certified values are recorded as printed there:
U with its k, never the standard uncertainty derived from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_inspect.scale.parts import Sensor
from sieve_registry.errors import DateRefusedError
from sieve_registry.ledger.codec import shared_fields
from sieve_registry.ledger.events import (
    ArtefactAdded,
    DeviceAdded,
)
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import Fact
from sieve_registry.scales.corrections import live, live_facts
from sieve_registry.scales.errors import DuplicateThingError, UnknownThingError
from sieve_registry.sieves.facts import record_with_evidence
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id, clean_text

if TYPE_CHECKING:
    from sieve_inspect.illumination.model import Illumination
    from sieve_inspect.scale.artefact.line_bias import KnownLine
    from sieve_inspect.scale.calibration import Artefact

ARTEFACT_KINDS = ("dots", "checker", "grid", "rule", "line")
# By kind of device: optical path from lens to object and the most the cloth may lie off it, um.
# Common practice, no source: a flatbed folds some 300 mm into its carriage.
DEVICE_KINDS: Mapping[str, tuple[float, float]] = {
    "scanner": (300_000.0, 1_000.0),
    "microscope": (30_000.0, 100.0),
}
_USUAL_SENSOR = {"scanner": Sensor.LINE_CAMERA, "microscope": Sensor.AREA_CAMERA}
_Added = TypeVar("_Added", ArtefactAdded, DeviceAdded)


@dataclass(frozen=True)
class CertifiedArtefact:
    """An artefact under one certificate: lengths in um, `expanded_…` are U = k u as printed."""

    id: str
    kind: str
    nominal_pitch_um: float | None
    pitch_um: float | None
    nominal_line_um: float | None
    line_um: float | None
    expanded_pitch_um: float
    expanded_line_um: float
    k: float
    certificate: str
    laboratory: str
    valid_from: date
    valid_to: date
    expansion_ppm_per_k: float | None = None
    evidence: tuple[EvidenceFile, ...] = ()
    event: int = 0

    def valid_on(self, day: date) -> bool:
        """Whether the certificate is valid that day."""
        return self.valid_from <= day <= self.valid_to

    @property
    def reference(self) -> str:
        """How a scale names it as its source."""
        return f"certificate {self.certificate} of {self.laboratory}, artefact {self.id}"

    def to_line(self) -> KnownLine:
        """As a single line for the edge bias. Raises `UsageError` for another kind."""
        from sieve_inspect.scale.artefact.line_bias import KnownLine

        if self.kind != "line" or self.line_um is None:
            raise UsageError(
                message=f"Artefact {self.id} is not a single line and gives its own scale: "
                "leave --base out."
            )
        return KnownLine(
            self.line_um, self.expanded_line_um / self.k, self.reference, certified=True
        )

    def to_calibrate(self) -> Artefact:
        """As an artefact for a calibration. Raises `UsageError` for a single line."""
        from sieve_inspect.scale.calibration import Artefact

        if self.kind == "line" or self.pitch_um is None:
            raise UsageError(
                message=f"Artefact {self.id} is a single line: it has no pitch. Choose an artefact "
                "with marks, or name the scale to amend with `scale … --base`."
            )
        with_lines = self.kind != "dots"
        return Artefact(
            pattern=self.kind,
            pitch_um=self.pitch_um,
            u_pitch_um=self.expanded_pitch_um / self.k,
            line_width_um=self.line_um if with_lines else None,
            u_line_width_um=self.expanded_line_um / self.k if with_lines else 0.0,
            source=self.reference,
            certified=True,
        )


@dataclass(frozen=True)
class Device:
    """A scanner or microscope at one setting; lengths in um.

    `stand_off_um` is the height of the cloth above the glass, `allowance_um` the most it may differ
    from that of the artefact, `path_um` the optical path from lens to object. `sensor` is its
    kind; `lamp_deg` the half-angle of the lamp seen from the cloth and `view_deg` the angle of view
    off its normal, both in x and y (degrees); `line_um` the middle of a line camera's line from the
    left of a scan and the distance of its lens; `u_…` are standard uncertainties of the angles.
    None or empty is not known.
    """

    id: str
    kind: str
    serial: str
    setting: str
    light: str
    encoding: str
    stand_off_um: float
    allowance_um: float
    path_um: float
    sensor: str = ""
    lamp_deg: tuple[float, float] | None = None
    view_deg: tuple[float, float] | None = None
    line_um: tuple[float, float] | None = None
    u_lamp_deg: float | None = None
    u_view_deg: float | None = None
    depth_of_field_um: float | None = None
    event: int = field(default=0)

    @property
    def sees_by(self) -> Sensor:
        """Its sensor, where none is on record the usual one of its kind."""
        return Sensor(self.sensor or _USUAL_SENSOR[self.kind])

    def illumination(self) -> Illumination:
        """Lamp and view as recorded. Raises `UsageError` for an impossible angle."""
        from sieve_inspect.illumination.model import Illumination

        straight = (0.0, 0.0) if self.sensor and Sensor(self.sensor).straight else None
        view = self.view_deg or straight
        known_u = {} if self.u_view_deg is None else {"u_view_deg": self.u_view_deg}
        lit = Illumination.stated(self.lamp_deg, view, u_lamp_deg=self.u_lamp_deg, **known_u)
        if self.line_um is not None:
            lit = replace(lit, line_um=self.line_um, u_view=(0.0, 0.0))
        known = (self.lamp_deg, view, self.line_um) != (None, None, None)
        return replace(lit, source=f"{lit.source}, device {self.id}") if known else lit


def add_artefact(
    registry: Registry,
    new: CertifiedArtefact,
    terms: RecordTerms,
    *,
    certificate_file: Path | None = None,
    renew: bool = False,
) -> CertifiedArtefact:
    """Record an artefact, or with `renew` a further certificate of a recorded artefact.

    Raises `UsageError`, `BadTextError`, `DateRefusedError`, `DuplicateThingError`,
    `UnknownThingError` for nothing to renew, `EvidenceError` for an unreadable certificate.
    """
    artefact_id, payload = _artefact_payload(new)

    def refuse(connection: Connection) -> None:
        there = bool(live(connection, [ArtefactAdded], artefact_id))
        if there and not renew:
            raise DuplicateThingError(
                what="an artefact",
                name=artefact_id,
                advice="a new certificate is added with --renew",
            )
        if renew and not there:
            raise UnknownThingError(
                what="artefact", name=artefact_id, advice="leave --renew out to add it"
            )

    files = [(certificate_file, "certificate", certificate_file.name)] if certificate_file else []
    record_with_evidence(registry, artefact_id, payload, terms, files, refuse)
    return latest_artefact(registry, artefact_id)


def _artefact_payload(new: CertifiedArtefact) -> tuple[str, ArtefactAdded]:
    if new.kind not in ARTEFACT_KINDS:
        raise UsageError(message=f"--kind is one of {', '.join(ARTEFACT_KINDS)}, not '{new.kind}'.")
    if new.kind == "line" and new.line_um is None:
        raise UsageError(message="A single line needs its width: give --line-width.")
    if new.kind != "line" and new.pitch_um is None:
        raise UsageError(message="Pitch missing: give --pitch from mark to mark.")
    if not 1 <= new.k <= 5:
        raise UsageError(message=f"A coverage factor k of {new.k:g} is not plausible.")
    for length, expanded in (
        (new.pitch_um, new.expanded_pitch_um),
        (new.line_um, new.expanded_line_um),
    ):
        if length is not None and not 0 <= expanded < length / 10:
            raise UsageError(message=f"U = {expanded:g} um of {length:g} um is not plausible.")
    if new.expansion_ppm_per_k is not None and not 0 <= new.expansion_ppm_per_k <= 200:
        raise UsageError(message=f"An expansion of {new.expansion_ppm_per_k:g} ppm/K is not known.")
    if new.valid_to < new.valid_from:
        raise DateRefusedError(
            reason=f"A certificate valid to {new.valid_to} cannot begin on {new.valid_from}",
            advice="compare with the certificate",
        )
    texts = {
        "certificate": clean_text("certificate number", new.certificate, needed=True),
        "laboratory": clean_text("laboratory", new.laboratory, needed=True),
    }
    return clean_id(new.id), ArtefactAdded(**{**shared_fields(ArtefactAdded, new), **texts})


def artefacts(registry: Registry) -> list[CertifiedArtefact]:
    """Every artefact with its latest certificate, by id."""
    latest = {f.subject: _artefact(f) for f in live_facts(registry, None, [ArtefactAdded])}
    return [latest[artefact_id] for artefact_id in sorted(latest)]


def certificates_of(registry: Registry, artefact_id: str) -> list[CertifiedArtefact]:
    """An artefact under each certificate it ever had. Raises `UnknownThingError`."""
    return [_artefact(fact) for fact in _facts_named(registry, ArtefactAdded, artefact_id)]


def latest_artefact(
    registry: Registry, artefact_id: str, day: date | None = None
) -> CertifiedArtefact:
    """An artefact under the certificate valid on a day, else under its latest certificate."""
    certificates = certificates_of(registry, artefact_id)
    valid = [c for c in certificates if day is not None and c.valid_on(day)]
    return (valid or certificates)[-1]


def _artefact(fact: Fact[ArtefactAdded]) -> CertifiedArtefact:
    values = shared_fields(CertifiedArtefact, fact.payload)
    return CertifiedArtefact(id=fact.subject, event=fact.seq, **values)


def add_device(registry: Registry, new: Device, terms: RecordTerms) -> Device:
    """Record a device at one setting.

    Raises `UsageError`, `BadTextError`, `DuplicateThingError`.
    """
    if new.kind not in DEVICE_KINDS:
        raise UsageError(message=f"--kind is scanner or microscope, not '{new.kind}'.")
    if new.encoding not in ("srgb", "linear", "auto"):
        raise UsageError(message=f"--encoding is srgb, linear or auto, not '{new.encoding}'.")
    if not (0 <= new.allowance_um < new.path_um and new.stand_off_um >= 0):
        raise UsageError(message="A stand-off is 0 or more, its allowance below the optical path.")
    device_id = clean_id(new.id)
    slanting = any(new.view_deg or ()) or new.line_um is not None
    if new.sensor and Sensor.named(new.sensor).straight and slanting:
        raise UsageError(message=f"A {new.sensor} sensor has no slanting view: leave it out.")
    if new.line_um is not None and (new.view_deg is not None or not new.line_um[1] > 1_000):
        raise UsageError(
            message="Give the middle of the line with the distance of the lens (over 1 mm), or a "
            "view angle, not both."
        )
    new.illumination()
    texts = {
        "serial": clean_text("serial number", new.serial, needed=True),
        "setting": clean_text("setting", new.setting, needed=True),
        "light": clean_text("light", new.light, needed=True),
    }
    payload = DeviceAdded(**{**shared_fields(DeviceAdded, new), **texts})

    def refuse(connection: Connection) -> None:
        if live(connection, [DeviceAdded], device_id):
            raise DuplicateThingError(
                what="a device", name=device_id, advice="another setting is another device"
            )

    record_with_evidence(registry, device_id, payload, terms, (), refuse)
    return device_named(registry, device_id)


def devices(registry: Registry) -> list[Device]:
    """Every device, by id."""
    recorded = [_device(fact) for fact in live_facts(registry, None, [DeviceAdded])]
    return sorted(recorded, key=lambda device: device.id)


def device_named(registry: Registry, device_id: str) -> Device:
    """The device of that name. Raises `UnknownThingError`."""
    return _device(_facts_named(registry, DeviceAdded, device_id)[-1])


def _device(fact: Fact[DeviceAdded]) -> Device:
    return Device(id=fact.subject, event=fact.seq, **shared_fields(Device, fact.payload))


def _facts_named(registry: Registry, added: type[_Added], name: str) -> list[Fact[_Added]]:
    facts = live_facts(registry, clean_id(name), [added])
    if not facts:
        what = added.KIND.split()[0]
        raise UnknownThingError(what=what, name=name, advice=f"`sieveward {what} list` shows all")
    return facts
