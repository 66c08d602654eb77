"""Errors of persons: who they are, what they may do, and whether they have signed in.

RuleError                  (sieve_registry.errors)
├── NotAuthorisedError        61   the person has no valid authorisation for the act
├── SignInError               62   nobody has signed in, or the password is wrong
└── PersonError               63   no such person, or a change that cannot be made
"""

from __future__ import annotations

from sieve_registry.errors import RuleError

__all__ = [
    "NotAuthorisedError",
    "PersonError",
    "SignInError",
]


class NotAuthorisedError(RuleError):
    """The person is not entitled to the act on that day, and the laboratory demands it."""

    template = (
        "Nothing was recorded: {reason}. Somebody entitled to manage can give the authorisation: "
        "sieveward person authorise ID {act}."
    )
    exit_code = 61


class SignInError(RuleError):
    """Nobody has signed in where the laboratory demands it, or the password is wrong."""

    template = "{reason}: {advice}."
    exit_code = 62


class PersonError(RuleError):
    """No such person, one that exists already, or a change that cannot be made."""

    template = "{reason}: {advice}."
    exit_code = 63
