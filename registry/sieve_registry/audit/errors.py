"""Errors of issued reports and of findings.

RuleError                  (sieve_registry.errors)
├── ReportError               67   no such issued report, or it cannot be amended
└── FindingError              69   no such finding, or it cannot be answered or closed
"""

from __future__ import annotations

from sieve_registry.errors import RuleError

__all__ = [
    "FindingError",
    "ReportError",
]


class ReportError(RuleError):
    """No issued report of that number, or a report that cannot be amended or withdrawn."""

    template = "The report {report!r} {reason}."
    exit_code = 67


class FindingError(RuleError):
    """No finding of that number, or a finding that cannot be answered or closed."""

    template = "The finding {finding!r} {reason}."
    exit_code = 69
