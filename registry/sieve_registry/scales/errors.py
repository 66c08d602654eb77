"""What is refused about artefacts, devices and scales, each with a sentence and a code of its own.

RuleError                      (sieve_registry.errors)
├── DuplicateThingError       50   an artefact or device of that name is there
├── ScaleRefusedError      51–55   a recorded scale does not hold for this
│   ├── ArtefactExpiredError  51
│   ├── ScaleExpiredError     52
│   ├── SettingDiffersError   53
│   ├── StandOffError         54
│   └── TemperatureError      55
└── UnknownThingError         56   no artefact, device or recorded scale of that name
"""

from __future__ import annotations

from sieve_registry.errors import RuleError

__all__ = [
    "ArtefactExpiredError",
    "DuplicateThingError",
    "ScaleExpiredError",
    "ScaleRefusedError",
    "SettingDiffersError",
    "StandOffError",
    "TemperatureError",
    "UnknownThingError",
]


class DuplicateThingError(RuleError):
    """An artefact or a device of that name is there already."""

    template = "There is {what} {name!r} already: {advice}."
    exit_code = 50


class ScaleRefusedError(RuleError):
    """A recorded scale, or its artefact, does not hold for what is to be done with it."""

    exit_code = 51


class ArtefactExpiredError(ScaleRefusedError):
    """No certificate of the artefact is valid that day."""

    template = (
        "Artefact {artefact!r} has no valid certificate on {day} ({span}): have it certified and "
        "record that with `sieveward artefact add --renew`{other}."
    )
    exit_code = 51


class ScaleExpiredError(ScaleRefusedError):
    """The calibration is older than its interval allows."""

    template = (
        "Scale {scale!r} of {since} was valid until {until}, not on {day}: calibrate again with "
        "`sieveward scale`, or say why it may serve with --accept-expired REASON."
    )
    exit_code = 52


class SettingDiffersError(ScaleRefusedError):
    """The scans were made at another setting than the one calibrated."""

    template = (
        "Scale {scale!r} was calibrated at the setting {calibrated!r}, not at {given!r}: "
        "calibrate that setting, or scan at the calibrated one."
    )
    exit_code = 53


class StandOffError(ScaleRefusedError):
    """The cloth lay farther from where the artefact lay than the device allows."""

    template = (
        "A stand-off of {given} differs from the {calibrated} scale {scale!r} was calibrated at "
        "by more than the {allowed} allowed: bring the cloth there, or calibrate there."
    )
    exit_code = 54


class TemperatureError(ScaleRefusedError):
    """It was colder or warmer than the scale's range."""

    template = (
        "At {given:g} degrees scale {scale!r} does not hold, its range is {low:g} to {high:g}: "
        "scan within it, or calibrate for another range."
    )
    exit_code = 55


class UnknownThingError(RuleError):
    """No artefact, device or recorded scale of that name."""

    template = "There is no {what} {name!r}: {advice}."
    exit_code = 56
