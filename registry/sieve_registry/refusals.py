"""What is refused about artefacts, devices and scales: sentences of their own, codes of their kin.

DuplicateSieveError                33
└── DuplicateThingError                an artefact or device of that name is there
RuleRefusedError                   42
└── ScaleRefusedError                  a recorded scale does not hold for this
    ├── ArtefactExpiredError
    ├── ScaleExpiredError
    ├── SettingDiffersError
    ├── StandOffError
    └── TemperatureError
UnknownRecordError                 43
└── UnknownThingError                  no artefact, device or recorded scale of that name
"""

from __future__ import annotations

from sieve_registry.errors import DuplicateSieveError, RuleRefusedError, UnknownRecordError

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


class DuplicateThingError(DuplicateSieveError):
    """An artefact or a device of that name is there already."""

    template = "There is {what} {name!r} already: {advice}."


class ScaleRefusedError(RuleRefusedError):
    """A recorded scale, or its artefact, does not hold for what is to be done with it."""

    template = "Nothing was recorded by scale {scale!r}: {reason}."


class ArtefactExpiredError(ScaleRefusedError):
    """No certificate of the artefact is valid that day."""

    template = (
        "Artefact {artefact!r} has no valid certificate on {day} ({span}): have it certified and "
        "record that with `sieveward artefact add --renew`{other}."
    )


class ScaleExpiredError(ScaleRefusedError):
    """The calibration is older than its interval allows."""

    template = (
        "Scale {scale!r} of {since} was valid until {until}, not on {day}: calibrate again with "
        "`sieveward scale`, or say why it may serve with --accept-expired REASON."
    )


class SettingDiffersError(ScaleRefusedError):
    """The scans were made at another setting than the one calibrated."""

    template = (
        "Scale {scale!r} was calibrated at the setting {calibrated!r}, not at {given!r}: "
        "calibrate that setting, or scan at the calibrated one."
    )


class StandOffError(ScaleRefusedError):
    """The cloth lay farther from where the artefact lay than the device allows."""

    template = (
        "A stand-off of {given} differs from the {calibrated} scale {scale!r} was calibrated at "
        "by more than the {allowed} allowed: bring the cloth there, or calibrate there."
    )


class TemperatureError(ScaleRefusedError):
    """It was colder or warmer than the scale's range."""

    template = (
        "At {given:g} degrees scale {scale!r} does not hold: its range is {low:g} to {high:g}."
    )


class UnknownThingError(UnknownRecordError):
    """No artefact, device or recorded scale of that name."""

    template = "There is no {what} {name!r}: {advice}."
