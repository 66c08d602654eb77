"""Errors of requests that contradict the records or a rule."""

from __future__ import annotations

from sieve_inspect.errors import SievewardError


class RuleError(SievewardError):
    """The request contradicts the records or a rule."""

    exit_code = 42


class RuleRefusedError(RuleError):
    """A sieve's records do not allow this; the message lists every objection."""

    template = "Nothing was recorded for sieve {sieve!r}: {reason}."
    exit_code = 42


class UnknownRecordError(RuleError):
    """No event of that number, or a field of it that cannot be corrected."""

    template = "The record {record!r} cannot be corrected: {reason}."
    exit_code = 43


class StackError(RuleError):
    """No stack of that name, or a stack that cannot be made as given."""

    template = "The stack {stack!r} {reason}."
    exit_code = 44


class NetworkDriveError(RuleError):
    """A registry file on a drive several computers share."""

    template = (
        "The registry {file} is on a network drive ({system}), where two computers writing at "
        "once would damage it (its write-ahead log needs shared memory): use a local disk, "
        "or use a PostgreSQL server (--registry postgresql+psycopg://…)."
    )
    exit_code = 45


class ArchiveError(RuleError):
    """A backup or export that cannot be made, is incomplete, or cannot be imported here."""

    template = "{file} {reason}."
    exit_code = 46


class SignatureError(RuleError):
    """A key that cannot be read, or a signature that cannot be made."""

    template = "Nothing was {done} with {file}: {reason}."
    exit_code = 47


class BadRowsError(RuleError):
    """A table of sieves or checks with faulty rows; nothing was imported."""

    template = (
        "Nothing was imported from {file}: rows with errors: {count} (first: line {line}, "
        "{reason}). Correct them and import again."
    )
    exit_code = 48
