"""The errors of a check beside those of the registry.

RuleError                  (sieve_registry.errors)
└── OtherClothError        60   the scan shows the cloth of another sieve
SameImageError             (sieve_inspect.errors)
├── UsedScanError          28   the scan is evidence of an earlier check
└── OverlappingFieldsError 28   two fields of the check show the same cloth
UsageError                 (sieve_inspect.errors)
└── OtherTurnError          2   by its cloth the sieve lay otherwise than stated
"""

from __future__ import annotations

from sieve_inspect.errors import SameImageError, UsageError
from sieve_registry.errors import RuleError

__all__ = ["OtherClothError", "OtherTurnError", "OverlappingFieldsError", "UsedScanError"]


class OtherClothError(RuleError):
    """The scan shows the cloth of another sieve, or no longer that of this one."""

    template = (
        "{reason}. Nothing was recorded: check label and scan, or give a reason to record it with "
        "`accept_cloth`."
    )
    exit_code = 60


class OtherTurnError(UsageError):
    """The turn of the label was stated, and the cloth lay a quarter turn from it."""

    template = (
        "The label is stated as turned by {stated:g}°, but by its cloth the sieve lay a quarter "
        "turn from that: its x is y of check {check} ({common} common apertures). Nothing "
        "was recorded: leave `turned` out for the directions of the cloth, or void check {check} "
        "if its own turn was wrong."
    )


class UsedScanError(SameImageError):
    """A scan that an earlier check used is to be checked again, and nobody can be asked."""

    template = (
        "{sentence}. Nothing was recorded: choose another scan, or give a reason to check it again "
        "with `accept_scan`."
    )


class OverlappingFieldsError(SameImageError):
    """Fields of one check show the same cloth, and nobody can be asked whether that is meant."""

    template = (
        "{sentence}. Nothing was recorded: scan other places of the cloth, or give a reason to "
        "record these fields with `accept_scan`."
    )
