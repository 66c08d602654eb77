"""The errors of a check beside those of the registry.

RuleError                  (sieve_registry.errors)
└── OtherClothError        60   the scan shows the cloth of another sieve
SameImageError             (sieve_inspect.errors)
└── UsedScanError          28   the scan is evidence of an earlier check
"""

from __future__ import annotations

from sieve_inspect.errors import SameImageError
from sieve_registry.errors import RuleError

__all__ = ["OtherClothError", "UsedScanError"]


class OtherClothError(RuleError):
    """The scan shows the cloth of another sieve, or no longer that of this one."""

    template = (
        "{reason}. Nothing was recorded: check label and scan, or give a reason to record it with "
        "`accept_cloth`."
    )
    exit_code = 60


class UsedScanError(SameImageError):
    """A scan that an earlier check used is to be checked again, and nobody can be asked."""

    template = (
        "{sentence}. Nothing was recorded: choose another scan, or give a reason to check it again "
        "with `accept_scan`."
    )
