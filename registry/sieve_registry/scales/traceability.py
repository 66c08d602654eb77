"""The chain of a recorded scale, compared with the circumstances of a check.

    certificate ─▶ artefact ─▶ scale of a device ─▶ check

A scale has a day, an interval and limits. Circumstances beyond them are refused: an expired
artefact or scale, another setting, a stand-off or a temperature out of range. Within the limits
they are corrected, or widen the scale's uncertainty (see `surroundings`). A check without a height
of its own has the cloth at the height on record for the device.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_inspect.scale.parts import Sensor
from sieve_inspect.units import format_length
from sieve_registry.ledger.codec import plain_object
from sieve_registry.ledger.figures import LineLink
from sieve_registry.scales.artefacts import CertifiedArtefact, certificates_of, devices
from sieve_registry.scales.calibrations import KeptScale, expired_error, history_of_device
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.errors import (
    ArtefactExpiredError,
    ScaleExpiredError,
    SettingDiffersError,
    StandOffError,
    TemperatureError,
    UnknownThingError,
)
from sieve_registry.scales.surroundings import CERTIFIED_AT_C, Effect, of_cloth, of_stand_off
from sieve_registry.sieves.recording import person
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text


@dataclass(frozen=True)
class Circumstances:
    """How the scans of a check were made; None: as at the calibration."""

    day: date
    setting: str | None = None
    stand_off_um: float | None = None
    temperature_c: float | None = None
    accept_expired: str = ""
    by: str | None = None


def trace_scale(registry: Registry, kept: KeptScale, circumstances: Circumstances) -> CheckScale:
    """Compare a scale with the circumstances of a check, and correct or widen it for them.

    Raises `SettingDiffersError`, `StandOffError`, `TemperatureError`, and unless a reason accepts
    it `ArtefactExpiredError` and `ScaleExpiredError`.
    """
    if circumstances.setting is not None and _plain(circumstances.setting) != _plain(kept.setting):
        raise SettingDiffersError(
            scale=kept.name, calibrated=kept.setting, given=circumstances.setting
        )
    certificates, day = certificates_of(registry, kept.artefact), circumstances.day
    used = _used(certificates, kept.artefact_event, kept.artefact, f"scale {kept.name}", day)
    height = height_of_cloth(registry, kept, circumstances)
    scale = kept.scale(registry)
    effects = effects_on(kept, circumstances, height, scale.sensor)
    for effect in effects:
        scale = effect.applied(scale)
    expired = expiry_of(certificates, circumstances)
    line = kept.line and _line_of(registry, kept, kept.line, circumstances, expired)
    if day > kept.valid_until:
        if not circumstances.accept_expired:
            raise ScaleExpiredError(
                scale=kept.name, since=kept.on_date, until=kept.valid_until, day=day
            )
        expired.append(f"scale {kept.name} expired on {kept.valid_until}")
    accepted, doubts = accepted_as(expired, circumstances)
    chain = {
        **artefact_links(used),
        "scale": {
            "name": kept.name,
            "event": kept.event,
            "date": kept.on_date.isoformat(),
            "valid_until": kept.valid_until.isoformat(),
            "device": kept.device,
            "setting": kept.setting,
            "um_per_px": list(kept.um_per_px),
            "u_rel": list(kept.u_rel),
        },
        "check": {
            "setting": circumstances.setting,
            "stand_off_um": height,
            "temperature_c": circumstances.temperature_c,
            "effects": [effect.to_dict() for effect in effects],
            "u_rel": [scale.u_rel_x, scale.u_rel_y],
        },
        **(line or {}),
        **accepted,
    }
    return CheckScale(scale, plain_object(chain), doubts)


def _line_of(
    registry: Registry,
    kept: KeptScale,
    link: LineLink,
    circumstances: Circumstances,
    expired: list[str],
) -> dict[str, Any]:
    """The links of an edge bias from a single line; expired links are added to `expired`.

    Raises `ArtefactExpiredError`, and `UnknownThingError` where the base scale is void.
    """
    if link.base_event not in {scale.event for scale in history_of_device(registry, kept.device)}:
        raise UnknownThingError(
            what="recorded scale",
            name=link.base,
            advice=f"event {link.base_event}, on which {kept.name} rests, is void; calibrate again",
        )
    certificates = certificates_of(registry, link.artefact)
    what = f"the edge bias of {kept.name}"
    used = _used(certificates, link.event, link.artefact, what, circumstances.day)
    expired += expiry_of(certificates, circumstances)
    return {
        "base": {"name": link.base, "event": link.base_event},
        "line": {
            "id": used.id,
            "event": used.event,
            "certificate": used.certificate,
            "laboratory": used.laboratory,
            "valid_from": used.valid_from.isoformat(),
            "valid_to": used.valid_to.isoformat(),
            "width_um": used.line_um,
            "U_width_um": used.expanded_line_um,
            "k": used.k,
        },
    }


def _used(
    certificates: list[CertifiedArtefact], event: int, artefact: str, what: str, day: date
) -> CertifiedArtefact:
    for certificate in certificates:
        if certificate.event == event:
            return certificate
    span = f"event {event}, that of {what}, is void"
    raise ArtefactExpiredError(artefact=artefact, day=day, span=span, other="")


def artefact_links(used: CertifiedArtefact) -> dict[str, Any]:
    """The first two links of a chain: the certificate and the artefact."""
    return {
        "certificate": {
            "number": used.certificate,
            "laboratory": used.laboratory,
            "valid_from": used.valid_from.isoformat(),
            "valid_to": used.valid_to.isoformat(),
        },
        "artefact": {
            "id": used.id,
            "event": used.event,
            "kind": used.kind,
            "pitch_um": used.pitch_um,
            "U_pitch_um": used.expanded_pitch_um,
            "k": used.k,
        },
    }


def accepted_as(
    expired: list[str], circumstances: Circumstances
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The chain's entry about accepted expired links, and the doubts about the check."""
    if not expired:
        return {}, ()
    why, by = clean_text("reason", circumstances.accept_expired), person(circumstances.by)
    kept = {"accepted": {"why": why, "by": by, "expired": expired}}
    return kept, tuple(f"{what}; accepted by {by}: {why}" for what in expired)


def expiry_of(certificates: list[CertifiedArtefact], circumstances: Circumstances) -> list[str]:
    """A remark on an artefact without a valid certificate that day.

    Raises `ArtefactExpiredError` unless there is a reason to accept it.
    """
    if any(certificate.valid_on(circumstances.day) for certificate in certificates):
        return []
    last = certificates[-1]
    if not circumstances.accept_expired:
        other = ", or say why it may serve with --accept-expired REASON"
        raise expired_error(last, circumstances.day, other)
    return [f"artefact {last.id} has no valid certificate since {last.valid_to}"]


def height_of_cloth(registry: Registry, kept: KeptScale, circumstances: Circumstances) -> float:
    """Height (um) of the cloth above the glass: as stated, else that on record for the device."""
    if circumstances.stand_off_um is not None:
        return circumstances.stand_off_um
    on_record = (d.stand_off_um for d in devices(registry) if d.id == kept.device)
    return next(on_record, kept.stand_off_um)


def effects_on(
    kept: KeptScale, circumstances: Circumstances, height_um: float, sensor: Sensor
) -> list[Effect]:
    """What height and temperature do to the scale. Raises `StandOffError`, `TemperatureError`."""
    off = height_um - kept.stand_off_um
    if abs(off) > kept.allowance_um:
        raise StandOffError(
            scale=kept.name,
            given=_length(height_um),
            calibrated=_length(kept.stand_off_um),
            allowed=_length(kept.allowance_um),
        )
    effects = [of_stand_off(off, kept.path_um, sensor)]
    if circumstances.temperature_c is not None:
        low, high = kept.range_c
        if not low <= circumstances.temperature_c <= high:
            raise TemperatureError(
                scale=kept.name, given=circumstances.temperature_c, low=low, high=high
            )
        before = CERTIFIED_AT_C if kept.temperature_c is None else kept.temperature_c
        effects.append(of_cloth(circumstances.temperature_c, before))
    return effects


def _length(um: float) -> str:
    return format_length(um) if um else "0"


def _plain(text: str) -> str:
    return "".join(text.split()).casefold()
