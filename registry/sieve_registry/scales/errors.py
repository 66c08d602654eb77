"""Errors of artefacts, devices, scales, illuminations and equipment.

RuleError                  (sieve_registry.errors)
├── DuplicateThingError       50   an artefact or device of that name exists
├── ScaleRefusedError      51–55   a recorded scale is not valid for the check
│   ├── ArtefactExpiredError  51
│   ├── ScaleExpiredError     52
│   ├── SettingDiffersError   53
│   ├── StandOffError         54
│   ├── TemperatureError      55
│   └── ImplausibleScaleError 59   dpi, setting or last scale contradict it
├── UnknownThingError         56   no artefact, device or recorded scale of that name
├── IlluminationRefusedError  57   a recorded illumination is not valid for the check
└── EquipmentRefusedError     64   equipment is quarantined, retired or expired
"""

from __future__ import annotations

from sieve_registry.errors import RuleError

__all__ = [
    "ArtefactExpiredError",
    "DuplicateThingError",
    "EquipmentRefusedError",
    "IlluminationRefusedError",
    "ImplausibleScaleError",
    "ScaleExpiredError",
    "ScaleRefusedError",
    "SettingDiffersError",
    "StandOffError",
    "TemperatureError",
    "UnknownThingError",
]


class DuplicateThingError(RuleError):
    """An artefact or a device of that name exists."""

    template = "There is {what} {name!r} already: {advice}."
    exit_code = 50


class ScaleRefusedError(RuleError):
    """A recorded scale, or its artefact, is not valid for the check."""

    exit_code = 51


class ArtefactExpiredError(ScaleRefusedError):
    """No certificate of the artefact is valid that day."""

    template = (
        "Artefact {artefact!r} has no valid certificate on {day} ({span}): have it certified, and "
        "record the certificate with `sieveward artefact add --renew`{other}."
    )
    exit_code = 51


class ScaleExpiredError(ScaleRefusedError):
    """The calibration is older than its interval allows."""

    template = (
        "Scale {scale!r} of {since} was valid until {until}, not on {day}: calibrate again with "
        "`sieveward scale`, or give a reason to accept it with --accept-expired REASON."
    )
    exit_code = 52


class SettingDiffersError(ScaleRefusedError):
    """The scans were made at a setting that was not calibrated."""

    template = (
        "Scale {scale!r} was calibrated at the setting {calibrated!r}, not at {given!r}: "
        "calibrate that setting, or scan at the calibrated setting."
    )
    exit_code = 53


class StandOffError(ScaleRefusedError):
    """The stand-off of the cloth differs from the calibration by more than the allowance."""

    template = (
        "A stand-off of {given} differs from the {calibrated} scale {scale!r} was calibrated at "
        "by more than the {allowed} allowed: move the cloth, or calibrate at this stand-off."
    )
    exit_code = 54


class TemperatureError(ScaleRefusedError):
    """The temperature is outside the range of the scale."""

    template = (
        "Scale {scale!r} is not valid at {given:g} degrees, its range is {low:g} to {high:g}: scan "
        "within the range, or calibrate for another range."
    )
    exit_code = 55


class ImplausibleScaleError(ScaleRefusedError):
    """The dpi tags, the device's setting or its last scale contradict a scale by over 10 %."""

    template = "Scale not plausible: {reason}. Check it, or give a reason: --accept-scale REASON."
    exit_code = 59


class UnknownThingError(RuleError):
    """No artefact, device or recorded scale of that name."""

    template = "There is no {what} {name!r}: {advice}."
    exit_code = 56


class IlluminationRefusedError(RuleError):
    """A recorded illumination is of another device or lamp, or older than its interval allows."""

    template = "Illumination {name!r} cannot be used: {reason}. {advice}."
    exit_code = 57


class EquipmentRefusedError(RuleError):
    """Equipment that is quarantined, retired or expired by its record."""

    template = "{name!r} cannot be used: it is {reason}; {advice}."
    exit_code = 64
