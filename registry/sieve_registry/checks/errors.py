"""The error of a check beside those of the registry.

RuleError                  (sieve_registry.errors)
└── OtherClothError        60   the scan shows the cloth of another sieve
"""

from __future__ import annotations

from sieve_registry.errors import RuleError

__all__ = ["OtherClothError"]


class OtherClothError(RuleError):
    """The scan shows the cloth of another sieve, or no longer that of this one."""

    template = (
        "{reason}. Nothing was recorded: check label and scan, or give a reason to record it with "
        "`accept_cloth`."
    )
    exit_code = 60
